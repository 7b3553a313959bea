"""The colours of cortical thickness, and which points of a surface may have one.

A point has a colour only where its thickness is known. Of the others some are known to be thinner than a
bound, and are hatched as "below" it; of the rest nothing is told. A fracture's face has no cortex: what was
fitted there is not told either.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from segmentation.vocabulary import Bone, Floats, Fragment, Place
from viewer.report.drawing import BODY, element, line, picture, rect, text, text_width, written
from viewer.report.ray_target import RayTarget
from viewer.report.tokens import HAIR, INK, INK_2, PAPER, rgb_fraction

RAMP = (
    *("#0C3564", "#234B71", "#34627E", "#477A89", "#69908C"),
    *("#86A88F", "#A7BF92", "#CED496", "#F4EA9B"),
)
"""Thin to thick. Our choice: CIE lightness rises evenly from 22 to 92, so that a grey printer keeps it, and
blue to yellow is told apart by all kinds of colour vision (common practice)."""

BOUND_DEVIATIONS_COUNT = 2
"""A cortex that is not known is thinner than its fitted thickness and so many deviations (see
segmentation.vocabulary.Cortex)."""

USUAL_PERCENT, BOUNDED_PERCENT = 95, 95
"""The scale ends at so many percent of known thicknesses, "below" at so many of the bounds. Our choice."""

LONGEST_MM, STEP_MM = 6.0, 0.5
"""The scale's end is a multiple of the second and at most the first. Our choice: thicker cortex is rare."""

BAR_PX, BAR_HEIGHT_PX, SWATCH_PX = 190.0, 11.0, 26.0
"""Sizes of the legend."""

MOST_TICKS_COUNT = 4

THINNEST_CORTEX_MM = 1.5
"""Only what is below this is called thin; CT does not tell it reliably (common practice)."""

THIN_HATCH_PX, OTHER_HATCH_PX = 5.0, 6.0
"""Pitch of the hatch of a thin cortex, and of the cross hatch of what was not measured."""

ACROSS_MM = 3.0
"""A surface looks at another fragment when it lies this near along the normal: pieces so near are fragments
of one bone (segmentation.parts)."""

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Told:
    """What may be told of a fragment's cortex at each vertex (n,): its thickness where that is known, what it
    is thinner than where only that is known, its mass where an edge was found; NaN elsewhere."""

    thickness_mm: Floats
    bound_mm: Floats
    mass_hu_mm: Floats


def told_of(bone: Bone, fragment: Fragment) -> Told:
    """What may be told of the cortex of ``fragment``."""
    cortex = fragment.cortex
    if cortex is None:
        nothing = np.full(len(fragment.surface.vertices_mm), np.nan)
        return Told(nothing, nothing, nothing)
    outer = ~faces_fragment(bone, fragment)
    bound = cortex.thickness_mm + BOUND_DEVIATIONS_COUNT * cortex.thickness_sd_mm
    fitted = outer
    if cortex.place is not None:
        # Where the edge itself was doubted its fit tells nothing.
        fitted = outer & (cortex.place == Place.MEASURED)
    return Told(
        thickness_mm=np.where(cortex.thickness_known & outer, cortex.thickness_mm, np.nan),
        bound_mm=np.where(fitted & ~cortex.thickness_known, bound, np.nan),
        mass_hu_mm=np.where(fitted, cortex.mass_hu_mm, np.nan),
    )


def faces_fragment(bone: Bone, fragment: Fragment) -> Bools:
    """(n,) whether a vertex looks at another fragment of the same bone across a fracture."""
    others = [one for one in bone.fragments if one.bone == fragment.bone and one.number != fragment.number]
    vertices = fragment.surface.vertices_mm
    faces = np.zeros(len(vertices), np.bool_)
    if others:
        normals = RayTarget([(1, vertices, fragment.surface.faces)]).vertex_normals
        across = RayTarget([(o.number, o.surface.vertices_mm, o.surface.faces) for o in others])
        hits = across.first_hits(vertices, normals)
        faces[hits.rays[hits.distance_mm < ACROSS_MM]] = True
    return faces


@dataclass(frozen=True)
class CortexScale:
    """The scale runs from 0 to ``end_mm``; an unknown cortex counts as thin below ``thin_mm``, None where no
    bound is that low."""

    end_mm: float
    thin_mm: float | None

    def thin(self, told: Told) -> Bools:
        """(n,) where the cortex is not known but below ``thin_mm``."""
        if self.thin_mm is None:
            return np.zeros(len(told.bound_mm), np.bool_)
        with np.errstate(invalid="ignore"):
            return np.asarray(told.bound_mm <= self.thin_mm)

    def unmeasured(self, told: Told) -> Bools:
        """(n,) where nothing of use is known of the cortex."""
        return np.asarray(np.isnan(told.thickness_mm) & ~self.thin(told))


def scale_of(pieces: Sequence[Told]) -> CortexScale:
    """One scale for all pictures of a bone.

    Thin is below the bone's usual thickness and below nearly all bounds, whichever is less.
    """
    known = np.concatenate([one.thickness_mm for one in pieces])
    bounds = np.concatenate([one.bound_mm for one in pieces])
    known, bounds = known[np.isfinite(known)], bounds[np.isfinite(bounds)]
    end_mm = STEP_MM
    if len(known):
        end_mm = STEP_MM * math.ceil(float(np.percentile(known, USUAL_PERCENT)) / STEP_MM)
    thin_mm = None
    if len(bounds):
        limit_mm = float(np.percentile(bounds, BOUNDED_PERCENT))
        if len(known):
            limit_mm = min(limit_mm, float(np.median(known)))
        # Rounded up to the decimal that is printed, so that what is printed holds.
        limit_mm = math.ceil(10 * limit_mm) / 10
        thin_mm = limit_mm if (bounds <= limit_mm).any() else None
    return CortexScale(min(end_mm, LONGEST_MM), thin_mm)


def colours(thickness_mm: Floats, scale: CortexScale) -> Floats:
    """(n, 3) colours of known thicknesses (n,)."""
    stops = np.array([rgb_fraction(colour) for colour in RAMP])
    place = np.clip(thickness_mm / scale.end_mm, 0, 1) * (len(RAMP) - 1)
    return np.column_stack([np.interp(place, np.arange(len(RAMP)), stops[:, i]) for i in range(3)])


def legend_svg(scale: CortexScale, *, unmeasured: bool, width_px: float) -> str:
    """Bar with ticks in mm; where there are such, the hatches of thin and unmeasured cortex in words."""
    height, top = 42.0, 15.0
    stops = "".join(
        element("stop", offset=f"{i / (len(RAMP) - 1):.4f}", stop_color=colour)
        for i, colour in enumerate(RAMP)
    )
    drawn = element("defs", element("linearGradient", stops, id="cortex-scale") + _hatches())
    drawn += text(0, 9, "cortex where its thickness is known, mm", fill=INK_2)
    drawn += rect(0.5, top, BAR_PX, BAR_HEIGHT_PX, "url(#cortex-scale)", stroke=INK, stroke_width="0.8")
    count = round(scale.end_mm / STEP_MM)
    every = max(1, math.ceil(count / MOST_TICKS_COUNT))
    for n in [*range(0, count - every // 2, every), count]:
        x = 0.5 + BAR_PX * n / count
        said = ("≥ " if n == count else "") + f"{n * STEP_MM:g}"
        drawn += line(x, top + BAR_HEIGHT_PX, x, top + BAR_HEIGHT_PX + 3, INK)
        drawn += text(x, height - 3, said, anchor="start" if n == 0 else "middle")
    x = BAR_PX + 44
    if scale.thin_mm is not None:
        said = f"not measured: below {written(scale.thin_mm)} mm"
        said = f"thin, {said}" if scale.thin_mm <= THINNEST_CORTEX_MM else said
        drawn += _swatch(x, top, "cortex-thin", PAPER) + text(x + SWATCH_PX + 6, top + 9.5, said, size=BODY)
        x += SWATCH_PX + 6 + text_width(said, BODY) + 22
    if unmeasured:
        drawn += _swatch(x, top, "cortex-unmeasured", HAIR)
        drawn += text(x + SWATCH_PX + 6, top + 9.5, "not measured", size=BODY)
    return picture(width_px, height, drawn, "Legend of the cortex map")


def _swatch(x: float, y: float, pattern: str, ground: str) -> str:
    return rect(x, y, SWATCH_PX, BAR_HEIGHT_PX, ground) + rect(
        x, y, SWATCH_PX, BAR_HEIGHT_PX, f"url(#{pattern})", stroke=INK, stroke_width="0.8"
    )


def _hatches() -> str:
    """The two hatches, drawn as in the picture (cortex_map)."""

    def pattern(name: str, pitch: float, strokes: str) -> str:
        return element(
            "pattern",
            strokes,
            id=name,
            width=f"{pitch:g}",
            height=f"{pitch:g}",
            patternUnits="userSpaceOnUse",
            patternTransform="rotate(45)",
        )

    thin = line(0, 0, 0, THIN_HATCH_PX, INK_2, 2)
    cross = line(0, 0, 0, OTHER_HATCH_PX, INK_2, 0.8) + line(0, 0, OTHER_HATCH_PX, 0, INK_2, 0.8)
    return pattern("cortex-thin", THIN_HATCH_PX, thin) + pattern("cortex-unmeasured", OTHER_HATCH_PX, cross)
