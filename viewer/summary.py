"""The results in words, for a terminal: what ``segment`` made and what ``measure`` found, cautions last."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING

from viewer.calibrating import error_words
from viewer.console import say
from viewer.mechanics_summary import mechanics_lines
from viewer.ranges import is_point, shown_digits
from viewer.report.words import technique_words

if TYPE_CHECKING:
    from planner.vocabulary import (
        Assessment,
        Clearance,
        ClearanceIntervals,
        CortexEnd,
        FragmentResult,
        Interval,
        ScrewResult,
    )
    from segmentation.vocabulary import Bone, FractureSurface, Fragment

UNKNOWN = "unknown"
SHOWN_REMOVED_COUNT = 6
"""Removed pieces listed one by one; bone.json has them all. Our choice."""


def tell_bone(bone: Bone, folder: Path, lost: str | None = None) -> None:
    """Say what was taken from the CT, and what was ``lost`` with an older case."""
    taken = bone.segmentation
    say(f"{folder}: {len(bone.fragments)} fragment{'s' if len(bone.fragments) != 1 else ''}")
    for fragment in bone.fragments:
        place = ", ".join(f"{coordinate:.0f}" for coordinate in _point_inside(bone, fragment.number))
        volume = f"{fragment.volume_mm3 / 1000:.2f} cm³"
        say(
            f"  {fragment.number}  {fragment.name} (of {fragment.bone})  {volume}, around {place} mm"
            f"{_measured_words(fragment)}"
        )
    say(f"  bone begins at {taken.threshold_hu:g} HU ({taken.threshold_reason})")
    for fracture in bone.fractures:
        one, other = (bone.fragment(number).name for number in fracture.between)
        say(f"  fracture between {one} and {other}: {_gap_words(fracture)}")
    for note in (*([lost] if lost else []), *bone.ct.notes, *taken.notes):
        say(f"  note: {note}")
    if taken.record is not None and (blur := taken.record.blur) is not None:
        say(f"  noise {blur.noise_hu:.0f} HU in {blur.noise_where}; the report shows the surface over the CT")
    # What was taken for furniture or metal is worth a look; specks come last.
    left_out = sorted(taken.removed, key=lambda removed: removed.what == "speck")
    for removed in left_out[:SHOWN_REMOVED_COUNT]:
        place = ", ".join(f"{coordinate:.0f}" for coordinate in removed.centre_mm)
        say(f"  left out: {removed.what}, {removed.volume_mm3:.3g} mm³ at {place} mm")
    if (more := len(taken.removed) - SHOWN_REMOVED_COUNT) > 0:
        say(f"  left out: {more} more, listed in bone.json")
    if bone.calibration is None:
        say(f"  density unknown: {bone.calibration_reason}")
    else:
        line = bone.calibration
        say(
            f"  density = {line.slope_mg_cm3_per_hu:.4g} · HU {line.intercept_mg_cm3:+.4g} mg/cm³, "
            f"standard error {error_words(line)} ({line.source})"
        )
    tell_cautions()


def _measured_words(fragment: Fragment) -> str:
    """How much of a refined surface was measured; nothing for a plain level."""
    from segmentation.record import shares_of

    shares = shares_of(fragment)
    if fragment.cortex is None or shares is None:
        return ""
    measured, known = 100 * shares.measured_fraction, 100 * shares.thickness_known_fraction
    return f"; {measured:.0f} % measured, cortex known at {known:.0f} %"


def _gap_words(fracture: FractureSurface) -> str:
    """The gap of a fracture, or why there is none."""
    if fracture.gap_median_mm is None:
        return fracture.gap_reason or "gap unknown"
    fill = "" if fracture.fill_measured else f", if {fracture.fill_hu:.0f} HU lie in it"
    return f"{fracture.area_mm2:.0f} mm², gap {fracture.gap_median_mm:.1f} mm (median){fill}"


def _point_inside(bone: Bone, number: int) -> tuple[float, float, float]:
    """A point deep inside a fragment, as ``--name`` takes it."""
    import numpy as np
    from scipy import ndimage

    (box,) = ndimage.find_objects((bone.labels == number).astype(np.uint8))
    depth = ndimage.distance_transform_edt(np.pad(bone.labels[box] == number, 1))
    index = np.array(np.unravel_index(int(np.argmax(depth)), depth.shape)) - 1
    point = bone.ct.grid.ijk_to_mm(index + [part.start for part in box])
    return float(point[0]), float(point[1]), float(point[2])


def tell_cautions() -> None:
    """Say what stands under every result."""
    from planner.findings import CAUTIONS

    for caution in CAUTIONS:
        say(caution)


def tell_assessment(assessment: Assessment) -> None:
    """Say what was measured for each screw."""
    for result in assessment.screws:
        for line in _screw_lines(result):
            say(line)
        say()
    for caution in assessment.cautions:
        say(caution)


def _screw_lines(result: ScrewResult) -> Iterator[str]:
    placed = result.placed
    how = technique_words(placed.screw, placed.technique)
    yield f"{placed.name}: {placed.screw.name}, {placed.length_mm:g} mm, {how}"
    least = "at least " if "bone_length_mm" in result.reasons else ""
    yield (
        f"  bone {least}{result.bone_length_mm:.1f} mm{_between(result.intervals.bone_length_mm)} deep along "
        f"the axis, seat at {placed.seat_depth_mm:.1f}, tip at {result.tip_depth_mm:.1f}"
    )
    for fragment in result.fragments:
        yield f"  {_fragment(fragment)}"
    ranges = result.intervals
    ends = (
        ("leading end", result.leading_end, ranges.leading_end),
        ("trailing end", result.trailing_end, ranges.trailing_end),
        ("body", result.body, ranges.body),
    )
    told = [f"{name} {words}" for name, found, between in ends if (words := _clearance(found, between))]
    yield "  clearance: " + "; ".join(told)
    cortices = (("near", result.near_cortex), ("far", result.far_cortex))
    seen = [f"{name} {_cortex(cortex)}" for name, cortex in cortices if cortex is not None]
    if seen:
        yield "  cortex on the axis: " + "; ".join(seen)
    if result.pullout_n is not None and result.governed_by is not None:
        governing = next(f.fragment_name for f in result.fragments if f.fragment == result.governed_by)
        yield f"  holds {_force(result.pullout_n)}, governed by {governing}"
        if result.pull_out is not None:
            whole = result.pull_out
            left = ", ".join(whole.not_modelled)
            yield (
                f"  with its factors {_force(whole.force_n)}, limited by the {whole.limited_by}"
                + (f"; not modelled: {left}" if left else "")
            )
    else:
        yield f"  no hold is told: {result.reasons.get('pullout_n', 'no reason is known')}"
    yield from mechanics_lines(result)
    for finding in sorted(result.findings, key=lambda one: ("stop", "warn", "note").index(one.severity)):
        yield f"  {finding.severity.upper()} {finding.code}: {finding.message}"


def _fragment(fragment: FragmentResult) -> str:
    density, hu = fragment.mean_density_mg_cm3, fragment.mean_hu
    bites = fragment.thread_engagement_mm > 0
    ranges = fragment.intervals
    engaged = f"{fragment.thread_engagement_mm:.1f} mm{_between(ranges.thread_engagement_mm)}"
    thread = f"thread {engaged} = {fragment.threads_engaged:.1f} turns"
    hold = UNKNOWN if fragment.pullout_n is None else _force(fragment.pullout_n)
    return (
        f"in {fragment.fragment_name}: path {fragment.axis_path_mm:.1f} mm{_between(ranges.axis_path_mm)}, "
        f"{thread if bites else 'no thread'}, "
        f"{UNKNOWN if hu is None else f'{hu:.0f} HU'}, "
        f"{'density ' + UNKNOWN if density is None else f'{density:.0f} mg/cm³'}"
        + (f", pull-out {hold}" if bites else "")
    )


def _clearance(clearance: Clearance, ranges: ClearanceIntervals) -> str:
    parts = (("outer", clearance.outer, ranges.outer), ("joint", clearance.joint, ranges.joint))
    known = [
        f"{name} {value:.1f} mm{_between(between)}" for name, value, between in parts if value is not None
    ]
    return ", ".join(known)


def _cortex(cortex: CortexEnd) -> str:
    """A length only where it was measured; else what it is below, and the mass, which holds either way."""
    if cortex.on_axis_mm is not None:
        return f"{cortex.on_axis_mm:.1f} mm"
    below_mm = cortex.on_axis_below_mm
    said = "not measured" if below_mm is None else f"below {ceil(below_mm * 10) / 10:.1f} mm, not measured"
    return said if cortex.mass_hu_mm is None else f"{said} (mass {cortex.mass_hu_mm:.0f} HU·mm)"


def _between(interval: Interval | None) -> str:
    if interval is None or is_point(interval):
        return ""
    digits = shown_digits(interval)
    return f" ({interval.low:.{digits}f} to {interval.high:.{digits}f})"


def _force(interval: Interval) -> str:
    return f"{interval.estimate:.0f} N ({interval.low:.0f} to {interval.high:.0f})"
