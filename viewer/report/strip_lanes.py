"""What the drill meets, the depth axis, and where the tip would land with each stocked length.

Cortices are dark caps (their inner edge broken where they are thinner than CT can tell), fragments are
hatched, a fracture is a gap with zigzag edges, a hollow inside one fragment a plain gap, a gliding hole is
plain white between two lines, dots beyond the exit are joint.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil

from planner.limits import tip_room_mm
from viewer.report.drawing import BODY, SMALL, line, path, px, rect, text, text_width, written
from viewer.report.placing import clear_centre
from viewer.report.ruler import GUTTER_PX, Ruler
from viewer.report.section import crossing_depths_mm
from viewer.report.subject import Stretch, Subject
from viewer.report.tokens import INK, INK_2, INK_3, PAPER, RULE
from viewer.report.words import axis_path_words, cortices_not_told, cut_off

THINNEST_CORTEX_MM = 1.5
"""Thinner cortices are not told reliably by a clinical CT (as in the mock): their inner edge is drawn
broken."""

JOINT_NEAR_EXIT_MM = 2.0
"""Joint surface this near to the exit counts as lying at the exit. Our choice."""

DOTS_PAST_EXIT_MM = 1.8
"""Length of the dotted stretch that says "joint". Our choice."""

CLOSE_TICKS_UP_TO_MM = 60.0
"""Longer axes have ticks at 5 and 10 mm only (as in the mock)."""

GLIDING_SHARE = 0.6
"""Share of the lane's height that a gliding hole takes, so that the bone around it stays hatched. Our
choice."""

LABEL_GAP_PX = 4.0
"""Room between two figures in a row. Our choice."""


def own_stretches(subject: Subject) -> list[Stretch]:
    """The axis inside the entered bone, from entry to exit."""
    return [stretch for stretch in subject.stretches if stretch.bone == subject.result.bone_name]


@dataclass(frozen=True)
class Gap:
    """A length of the axis between two stretches of the entered bone."""

    from_mm: float
    to_mm: float
    is_fracture: bool


def gaps(subject: Subject) -> list[Gap]:
    """What lies between the stretches: a fracture between two fragments, a hollow inside one."""
    return [
        Gap(before.to_mm, after.from_mm, before.number != after.number)
        for before, after in pairwise(own_stretches(subject))
    ]


def fracture_edges_mm(subject: Subject) -> list[float]:
    """Depths where the axis leaves one fragment and enters the next."""
    return [z for gap in gaps(subject) if gap.is_fracture for z in (gap.from_mm, gap.to_mm)]


def bone_lane(subject: Subject, ruler: Ruler, top: float, height: float) -> str:
    """What lies at each depth on the axis."""
    stretches = own_stretches(subject)
    drawn = [text(GUTTER_PX - 6, top + height - 4, "bone", anchor="end", fill=INK_2)]
    drawn += [_fragment_bar(subject, stretch, ruler, top, height) for stretch in stretches]
    drawn += [_cortex(subject, layer, ruler, top, height) for layer in ("near cortex", "far cortex")]
    drawn += [_gap(gap, ruler, top, height) for gap in gaps(subject) if gap.is_fracture]
    drawn.append(_gliding_lane(subject, ruler, top, height))
    drawn.append(_past_exit(subject, ruler, top, height))
    return "".join(drawn)


def bone_words(subject: Subject, ruler: Ruler, top: float, height: float, lines_px: Sequence[float]) -> str:
    """The names over the bars, clear of the verticals ``lines_px``."""
    drawn = [_hollow_words(gap, ruler, top, height) for gap in gaps(subject) if not gap.is_fracture]
    drawn += [_fragment_words(subject, one, ruler, top, height, lines_px) for one in own_stretches(subject)]
    return "".join(drawn)


def _bar(
    ruler: Ruler, from_mm: float, to_mm: float, top: float, height: float, fill: str, **named: object
) -> str:
    left, right = ruler.x(ruler.clipped_mm(from_mm)), ruler.x(ruler.clipped_mm(to_mm))
    return rect(left, top, right - left, height, fill, **named)


def _fragment_bar(subject: Subject, stretch: Stretch, ruler: Ruler, top: float, height: float) -> str:
    fill = f"url(#fragment-{subject.rank(stretch.number)})"
    return _bar(ruler, stretch.from_mm, stretch.to_mm, top, height, fill, stroke=INK, stroke_width="0.8")


def _cortex(subject: Subject, name: str, ruler: Ruler, top: float, height: float) -> str:
    layer = next((layer for layer in subject.result.layers if layer.layer == name), None)
    stretches = own_stretches(subject)
    if layer is None or not stretches or name in cortices_not_told(subject.result):
        return ""
    near = name == "near cortex"
    owner = stretches[0] if near else stretches[-1]
    ink = subject.ink(owner.number).dark
    drawn = _bar(ruler, layer.from_mm, layer.to_mm, top, height, ink)
    inner_mm = layer.to_mm if near else layer.from_mm
    if drawn and layer.to_mm - layer.from_mm < THINNEST_CORTEX_MM and ruler.shows(inner_mm):
        x = ruler.x(inner_mm)
        drawn += line(x, top, x, top + height, PAPER, 1.6, stroke_dasharray="2.6 2.6")
    return drawn


def _gap(gap: Gap, ruler: Ruler, top: float, height: float) -> str:
    """A fracture with zigzag edges, a single zigzag where the fragments touch."""
    drawn = _bar(ruler, gap.from_mm, gap.to_mm, top - 1, height + 2, PAPER)
    for depth_mm, side in ((gap.from_mm, 1), (gap.to_mm, -1)):
        if ruler.shows(depth_mm):
            steps = 4
            points = [
                f"{px(ruler.x(depth_mm) + side * (2.2 if step % 2 else 0))} {px(top + height * step / steps)}"
                for step in range(steps + 1)
            ]
            drawn += path("M" + "L".join(points), stroke=INK, stroke_width="1.2")
    return drawn


def _hollow_words(gap: Gap, ruler: Ruler, top: float, height: float) -> str:
    left, right = ruler.x(ruler.clipped_mm(gap.from_mm)), ruler.x(ruler.clipped_mm(gap.to_mm))
    if text_width("hollow") >= right - left - LABEL_GAP_PX:
        return ""
    return text((left + right) / 2, top + height - 4.5, "hollow", anchor="middle", fill=INK_2, halo=PAPER)


def _gliding_lane(subject: Subject, ruler: Ruler, top: float, height: float) -> str:
    to_mm = subject.result.gliding_hole_to_mm
    if to_mm is None or to_mm <= ruler.from_mm:
        return ""
    band = height * GLIDING_SHARE
    lane_top = top + (height - band) / 2
    left, right = ruler.x(ruler.clipped_mm(0.0)), ruler.x(ruler.clipped_mm(to_mm))
    edges = "".join(line(left, y, right, y, INK, 0.9) for y in (lane_top, lane_top + band))
    return rect(left, lane_top, right - left, band, PAPER) + edges


def _past_exit(subject: Subject, ruler: Ruler, top: float, height: float) -> str:
    """Dots where the exit lies on joint surface; another bone beyond as an empty broken box with its name."""
    drawn = ""
    joint, exit_mm = subject.bone.joint, subject.exit_depth_mm
    if joint is not None:
        depths_mm = crossing_depths_mm(
            subject.frame.origin_mm, subject.frame.along, joint.vertices_mm, joint.faces
        )
        if any(abs(depth_mm - exit_mm) <= JOINT_NEAR_EXIT_MM for depth_mm in depths_mm):
            drawn += _bar(ruler, exit_mm, exit_mm + DOTS_PAST_EXIT_MM, top, height, "url(#joint)")
    for stretch in subject.stretches:
        if (
            stretch.bone != subject.result.bone_name
            and stretch.to_mm > ruler.from_mm
            and stretch.from_mm < ruler.to_mm
        ):
            drawn += _bar(
                ruler,
                stretch.from_mm,
                stretch.to_mm,
                top,
                height,
                "none",
                stroke=INK_3,
                stroke_dasharray="3 2",
            )
            left, right = ruler.x(ruler.clipped_mm(stretch.from_mm)), ruler.x(ruler.clipped_mm(stretch.to_mm))
            if text_width(stretch.name) < right - left - 6:
                drawn += text((left + right) / 2, top + height - 4, stretch.name, anchor="middle", fill=INK_2)
    return drawn


def _fragment_words(
    subject: Subject, stretch: Stretch, ruler: Ruler, top: float, height: float, lines_px: Sequence[float]
) -> str:
    """Name and axis path, as much of it as the bar has room for."""
    left, right = ruler.x(ruler.clipped_mm(stretch.from_mm)), ruler.x(ruler.clipped_mm(stretch.to_mm))
    once = sum(other.number == stretch.number for other in own_stretches(subject)) == 1
    measured = {found.fragment: found.axis_path_mm for found in subject.result.fragments}
    length_mm = measured.get(stretch.number) if once else None
    figure = written(stretch.to_mm - stretch.from_mm)
    if length_mm is not None:
        figure = axis_path_words(subject.result, stretch.number, length_mm)
    glide_to_mm = subject.result.gliding_hole_to_mm
    glides = glide_to_mm is not None and (stretch.from_mm + stretch.to_mm) / 2 < glide_to_mm
    choices = [f"{stretch.name}, {figure} mm", stretch.name, f"{figure} mm"]
    if glides:
        choices.insert(0, f"{stretch.name}, {figure} mm, gliding hole")
    for words in choices:
        half = text_width(words, bold=True) / 2
        if 2 * half < right - left - 6:
            at = clear_centre((left + right) / 2, half, (left + 3, right - 3), lines_px)
            return text(at, top + height - 4.5, words, anchor="middle", bold=True, halo=PAPER)
    return ""


def axis_lane(subject: Subject, ruler: Ruler, y: float) -> str:
    """Depth in mm, drawn from entry to exit only; the exit's own figure in bold.

    Where the scan ends before the bone, that figure is the least the bone is long.
    """
    exit_mm = subject.exit_depth_mm
    from_mm, to_mm = ruler.clipped_mm(0.0), ruler.clipped_mm(exit_mm)
    drawn = [text(GUTTER_PX - 6, y + 7, "depth, mm", anchor="end", fill=INK_2)]
    drawn.append(line(ruler.x(from_mm), y, ruler.x(to_mm), y, INK, 1.2))
    fine, coarse = (1, 5) if exit_mm <= CLOSE_TICKS_UP_TO_MM else (5, 10)
    words = f"{'at least' if cut_off(subject.result) else 'exit'} {written(exit_mm)}"
    at_exit, shown = ruler.x(exit_mm), ruler.shows(exit_mm)
    if exit_mm > ruler.to_mm and subject.result.tip_depth_mm <= ruler.to_mm:
        # The path goes on beyond the picture: its end is told where the picture ends.
        words, at_exit, shown = f"{words} ▸", ruler.right_px - 4, True
    fits = at_exit + 4 + text_width(words, bold=True) < ruler.right_px + 2
    taken = (at_exit - 2, at_exit + 60) if fits else (at_exit - 6 - text_width(words, bold=True), at_exit + 6)
    for z in range(ceil(ruler.from_mm), int(ruler.to_mm) + 1):
        if z % fine:
            continue
        x, big, outside = ruler.x(z), z % coarse == 0, z < 0 or z > exit_mm
        ink = RULE if outside else INK
        drawn.append(line(x, y, x, y + (6 if big and not outside else 3), ink, 1.1 if big else 0.7))
        half = text_width(str(z)) / 2 + LABEL_GAP_PX
        if big and not outside and not (shown and x + half > taken[0] and x - half < taken[1]):
            drawn.append(text(x, y + 15.5, str(z), anchor="middle"))
    if shown:
        anchor, x = ("start", at_exit + 4) if fits else ("end", at_exit + 2)
        drawn.append(text(x, y + 15.5, words, anchor=anchor, bold=True))
    return "".join(drawn)


def landing_lane(subject: Subject, ruler: Ruler, y: float, width_px: float) -> str:
    """A triangle where the tip would be with each stocked length; empty and struck where it would break
    the tip's limit on the axis.

    The chosen length is always named; of the others as many as there is room for. ``width_px`` is the
    page's: the first length that reaches beyond exit and tip may stand beside the picture.
    """
    placed = subject.result.placed
    stocked = placed.screw.stocked_lengths_mm
    ahead_mm = subject.result.tip_depth_mm - placed.length_mm
    deepest_mm = _deepest_mm(subject)
    lengths_mm = _shown_lengths_mm(subject, ahead_mm, deepest_mm)
    drawn = [text(GUTTER_PX - 6, y + 16, "tip if length", anchor="end", fill=INK_2)]
    taken: list[tuple[float, float]] = []
    for length_mm in sorted(lengths_mm, key=lambda one: (one != placed.length_mm, one)):
        depth_mm, chosen = ahead_mm + length_mm, length_mm == placed.length_mm
        last_row = ruler.to_mm > max(subject.exit_depth_mm, subject.result.tip_depth_mm)
        right_px = width_px if last_row else ruler.right_px
        x, leaves = ruler.x(depth_mm), deepest_mm is not None and depth_mm > deepest_mm
        if depth_mm < ruler.from_mm or x > right_px - 4:
            continue
        fill = PAPER if leaves else INK if chosen else INK_3
        shape = f"M{px(x)} {px(y)}l3.6 5.5h-7.2z"
        drawn.append(path(shape, fill=fill, stroke=INK if chosen else INK_2, stroke_width="0.9"))
        words = f"{length_mm:g}" if length_mm in stocked else f"{length_mm:g} not stocked"
        size = BODY if chosen else SMALL
        half = text_width(words, size, bold=chosen) / 2 + LABEL_GAP_PX / 2
        crowded = any(x - half < right and x + half > left for left, right in taken)
        if crowded or x + half > right_px + 1:
            continue
        taken.append((x - half, x + half))
        marks = [mark for mark, on in (("underline", chosen), ("line-through", leaves)) if on]
        named = {"text_decoration": " ".join(marks)} if marks else {}
        ink = INK if chosen else INK_2
        drawn.append(text(x, y + 16, words, anchor="middle", size=size, bold=chosen, fill=ink, **named))
    return "".join(drawn)


def _deepest_mm(subject: Subject) -> float | None:
    """Where the tip's limit on the axis lies; None where the scan ends before the bone does."""
    if cut_off(subject.result):
        return None
    return subject.exit_depth_mm + tip_room_mm(subject.result.placed.screw, subject.limits)


def _shown_lengths_mm(subject: Subject, ahead_mm: float, deepest_mm: float | None) -> list[float]:
    """The chosen length, the stocked ones up to exit, limit and tip, and the next one after them.

    Of a bone that the scan cuts off nothing is told beyond that.
    """
    placed = subject.result.placed
    end_mm = max(subject.exit_depth_mm, subject.result.tip_depth_mm, deepest_mm or 0.0)
    stocked = [length for length in sorted(placed.screw.stocked_lengths_mm) if ahead_mm + length > 0]
    within = [length for length in stocked if ahead_mm + length <= end_mm]
    following = [length for length in stocked if ahead_mm + length > end_mm][:1]
    if deepest_mm is None:
        within = [length for length in within if ahead_mm + length <= subject.exit_depth_mm]
        following = []
    return sorted({*within, *following, placed.length_mm})
