"""The whole hold of a screw: the governing pull-out with each known factor, and no more than the screw bears.

``pullout_n`` of the governing fragment stays the bare equation over the thread's ring. Here it is multiplied
by what is known beyond it (``hold_factors.py``, ``shear_ring.py``, ``cortex_hold.py``); the screw's own
tensile limit caps it. What is not modelled is listed with its reason.
"""

from __future__ import annotations

from collections.abc import Sequence

from planner.cortex import CortexOnAxis
from planner.cortex_hold import cortex_factor, holding_cortex
from planner.density import Sampled
from planner.engagement import Bite
from planner.hold_factors import (
    angle_factor,
    foam_factor,
    head_factor,
    pilot_factor,
    profile_factor,
    taper_factor,
    tapping_factor,
    with_factors,
)
from planner.path import Path
from planner.screw_tension import weakest_tensile_limit_n
from planner.shear_ring import ring_factor
from planner.vocabulary import FractureCrossing, HoldFactor, Interval, PullOut
from segmentation.vocabulary import Calibration, Host

LAW = (
    "pullout_n, with strength averaged to 0.5 mm beyond the thread and measured cortex by itself, times the "
    "factors told with each screw; at most what the screw bears"
)
"""What ``pull_out`` is beyond the bare law, as results name it."""


def whole_hold(
    path: Path,
    sampled: Sampled,
    bites: Sequence[Bite],
    bare: Interval,
    calibration: Calibration,
    host: Host,
    *,
    fragment: int,
    crossed: Sequence[int],
    cortices: tuple[CortexOnAxis | None, CortexOnAxis | None],
    fractures: Sequence[FractureCrossing],
) -> PullOut:
    """The hold of the ``bites`` in the governing ``fragment``, whose bare pull-out is ``bare``.

    ``cortices`` are those at the path's near and far end.
    """
    placed = path.placed
    screw, most = placed.screw, max(bites, key=lambda bite: bite.engagement_mm)
    inside = calibration.density_mg_cm3(sampled.ring)
    middle = abs(path.depth_mm - path.length_mm / 2).argmin()
    beneath_mg_cm3 = max(0.0, float(inside[:, middle].mean()))
    own = {
        end: holding_cortex(cortex, beneath_mg_cm3, calibration)
        for end, of, cortex in (("near", crossed[0], cortices[0]), ("far", crossed[-1], cortices[1]))
        if of == fragment
    }
    angle = min(
        (crossing.angle_degree for crossing in fractures if fragment in crossing.between), default=None
    )
    # A zone at the trailing end is drilled by its own step drill, which the catalogue does not tell.
    pilot_mm = screw.pilot_mm if most.thread.at == "tip" else None
    factors: list[HoldFactor] = [
        *([foam_factor()] if host == "foam" else []),
        ring_factor(path, sampled, bites, calibration, host),
        *([cortex_factor(path, sampled, bites, calibration, fragment, own)] if host == "bone" else []),
        pilot_factor(pilot_mm, most.thread.major_mm),
        tapping_factor(None),
        taper_factor(tapered=False),
        profile_factor(most.thread.profile),
        angle_factor(angle),
        head_factor(screw, placed.seat_depth_mm),
    ]
    host_n = with_factors(bare, factors)
    screw_n = weakest_tensile_limit_n(screw)
    limited_by_screw = screw_n.estimate < host_n.estimate
    force_n = Interval(
        min(host_n.estimate, screw_n.estimate), min(host_n.low, screw_n.low), min(host_n.high, screw_n.high)
    )
    return PullOut(host_n, screw_n, force_n, "screw" if limited_by_screw else "host", tuple(factors))
