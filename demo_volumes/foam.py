"""A block of rigid polyurethane foam in air, as screws are tested in, with or without a denser sheet on top.

Its HU follow its own density: ``HU = density / 1.03 - 1000`` (polyurethane attenuates per mass about 0.97 of
water at 70 keV, air counts as nothing: derived from its composition, from memory; HU and foam density are
exactly linear: Schreiber et al., news summary read). Grades by ASTM F1839: 20 pcf = 320 mg/cm³ (1 pcf =
16.0185 kg/m³).
"""

from __future__ import annotations

import numpy as np

from demo_volumes.scene import AIR_HU, DemoBone, PlannedScrew, Scene, WallHU
from demo_volumes.shapes import Array, box

TITLE = "Block of rigid foam in air; a cancellous and a cortical screw"

SLOPE_MG_CM3_PER_HU = 1.03
"""Foam density per HU: 1 / (1000 · 0.97 / 1000). Derived from composition, from memory."""

INTERCEPT_MG_CM3 = -AIR_HU * SLOPE_MG_CM3_PER_HU
"""Air has no density."""

DENSITY_MG_CM3 = 320.4
"""20 pcf. Published: ASTM F1839 grade; 20 · 16.0185."""

SHEET_MG_CM3 = 640.7
"""The sheet on top: 40 pcf. Published: ASTM F1839 grade; 40 · 16.0185."""

BORDER_MM = 0.25
"""Width over which the sheet becomes the core. Our choice: one fine step of the default scanner."""

HALF_MM = (26.0, 20.0, 21.0)
"""Half of the block's edges. Our choice: room for two screws and a scan of a minute's work."""


def outside(x: Array, y: Array, z: Array) -> Array:
    """Distance to the block, exact."""
    return box(x, y, z, (0.0, 0.0, 0.0), HALF_MM)


def _wall(sheet_mm: float, density_mg_cm3: float) -> WallHU:
    def wall(_x: Array, _y: Array, z: Array, depth: Array) -> Array:
        # Clipped, for the edge is drawn with the density just inside it; evened out over one fine step,
        # so that the border does not alias.
        below_mm = np.maximum(HALF_MM[2] - z, 0)
        sheet_share = (
            np.clip((sheet_mm - below_mm) / BORDER_MM + 1 / 2, 0, 1) if sheet_mm > 0 else np.zeros_like(z)
        )
        density = density_mg_cm3 + sheet_share * (SHEET_MG_CM3 - density_mg_cm3)
        return np.asarray((density - INTERCEPT_MG_CM3) / SLOPE_MG_CM3_PER_HU).astype(depth.dtype)

    return wall


def _air(x: Array, _y: Array, _z: Array) -> Array:
    return np.full_like(x, AIR_HU)


def foam_block(
    rng: np.random.Generator, gap_mm: float, cortex_mm: float | None, density_mg_cm3: float | None
) -> Scene:
    """The scene; ``cortex_mm`` is the thickness of the denser sheet on top (none by default)."""
    del rng, gap_mm
    density = DENSITY_MG_CM3 if density_mg_cm3 is None else density_mg_cm3
    sheet = 0.0 if cortex_mm is None else cortex_mm
    surface_hu = (density - INTERCEPT_MG_CM3) / SLOPE_MG_CM3_PER_HU
    reach = tuple(half + 1.5 for half in HALF_MM)
    high = (reach[0], reach[1], reach[2])
    densities = {"foam": density} | ({"sheet": SHEET_MG_CM3} if sheet > 0 else {})
    return Scene(
        bones=(
            DemoBone(
                "block",
                outside,
                _wall(sheet, density),
                (-high[0], -high[1], -high[2]),
                high,
                None,
                ("block",),
            ),
        ),
        background_hu=_air,
        plan=(
            _screw("cancellous", "iso5835-hb-6.5", (-12.0, 0.0), (1.5, 1.0), 30.0),
            _screw("cortical", "iso5835-ha-3.5", (12.0, 0.0), (-2.0, 1.0), 30.0),
        ),
        inside_points_mm=(((0.0, 0.0, 0.0), "block", "block"),),
        size_mm=(66.0, 54.0, 56.0),
        level_hu=float(round((surface_hu + AIR_HU) / 2)),
        surface_hu=surface_hu,
        outside_hu=AIR_HU,
        densities_mg_cm3=densities,
        slope_mg_cm3_per_hu=SLOPE_MG_CM3_PER_HU,
        intercept_mg_cm3=INTERCEPT_MG_CM3,
        host="foam",
    )


def _screw(
    name: str, screw: str, start_mm: tuple[float, float], lean_mm: tuple[float, float], length_mm: float
) -> PlannedScrew:
    """A screw from the top face down, leaning by ``lean_mm`` over the block's height."""
    return PlannedScrew(
        name=name,
        screw=screw,
        from_mm=np.array([start_mm[0], start_mm[1], HALF_MM[2]]),
        towards_mm=np.array([start_mm[0] + lean_mm[0], start_mm[1] + lean_mm[1], -HALF_MM[2]]),
        beyond_mm=-5.0,
        wanted_length_mm=length_mm,
    )
