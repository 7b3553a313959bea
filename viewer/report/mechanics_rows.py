"""What a surgeon asks of a screw's mechanics, row by row: hold, torque, pressing, closing, weakest place.

Rows of torque share one scale and the line of what insertion may ask, so that they are compared by looking
down. Nothing is judged here: a verdict is the planner's word.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from planner.interval import Interval, exactly
from planner.tip_apex import TIP_APEX_LIMIT_MM
from planner.vocabulary import ScrewResult
from viewer.report.drawing import line, path, picture, px, rect, written
from viewer.report.tokens import ALARM, INK, INK_3

ROW_PX, EDGE_PX, LOZENGE_PX = 20.0, 5.0, 4.5
"""Height of a row's drawing, what stays free at its ends, and half the size of its lozenge."""

SOURCES = (
    "Insertion: 0.25 (0.20 to 0.32) · hold · major diameter, derived from published rows. 80 % of stripping: "
    "Fletcher et al. 2019 Clin Biomech 70:40. Yield floor: the least yield torque of FDA-2019-D-1652, 2024, "
    "half of which insertion may ask. Friction of metal on bone and of bone on bone 0.2 to 0.4, from memory."
)
"""Where the rows come from, as a report says under them."""


@dataclass(frozen=True)
class MechanicsRow:
    """One row: its words, its value with its ``place`` in a screw of assessment.json, and what is ``told``
    beside it. ``value`` None has its reason in ``told``. ``broken`` where the planner's verdict is against
    it; ``torque`` where it stands on the scale of torques."""

    words: str
    place: str
    value: float | None
    unit: str
    digits: int
    told: str = ""
    interval: Interval | None = None
    broken: bool = False
    torque: bool = False

    @property
    def shown(self) -> str:
        """The value in figures; nothing where there is none."""
        return "" if self.value is None else written(self.value, self.digits)

    @property
    def range(self) -> str:
        """5 to 95 % in figures; nothing where there is none."""
        if self.interval is None:
            return ""
        low, high = (written(end, self.digits) for end in (self.interval.low, self.interval.high))
        return "" if low == high else f"{low}–{high}"


def hold_row(result: ScrewResult, host: str) -> MechanicsRow | None:
    """The whole hold of the screw; None where no pull-out is known. ``host`` is bone or foam."""
    if result.pull_out is None:
        return None
    held = result.pull_out
    by = host if held.limited_by == "host" else "screw"
    return _spread("Whole hold", "pull_out.force_n", held.force_n, "N", 0, f"limited by {by}")


def foot_words(result: ScrewResult) -> str:
    """What stands under the rows of one screw: what its hold leaves out, and where the rows come from."""
    left = () if result.pull_out is None else result.pull_out.not_modelled
    return f"Not modelled in the hold: {', '.join(left)}. {SOURCES}" if left else SOURCES


def mechanics_rows(result: ScrewResult) -> list[MechanicsRow]:
    """The rows of one screw, always in the same order; what it has not has no row."""
    return [*_torques(result), *_two_pitch(result), *_lag(result), *_strength(result)]


def torque_svg(row: MechanicsRow, rows: Sequence[MechanicsRow], limit_n_m: float | None, width: float) -> str:
    """A torque with its 5 to 95 % on the scale of all torques of ``rows``; the upright line is what insertion
    may ask, where the regulator's table has a row."""
    torques = [one for one in rows if one.torque and one.value is not None]
    highest = max((_ends(one).high for one in torques), default=0.0)
    scale = (width - 2 * EDGE_PX) / (max(highest, limit_n_m or 0.0) or 1.0)
    middle, start = ROW_PX / 2, EDGE_PX
    inside = line(start, middle, width - EDGE_PX, middle, INK_3, 0.6, stroke_dasharray="1 3")
    inside += line(start, 0, start, ROW_PX, INK, 1.0)
    if limit_n_m is not None:
        at = start + limit_n_m * scale
        inside += rect(at, 0.0, width - at, ROW_PX, "url(#outside)", fill_opacity="0.5")
        inside += line(at, 0, at, ROW_PX, INK, 1.3)
    if row.value is not None:
        ends, ink = _ends(row), ALARM if row.broken else INK
        low, x, high = (start + value * scale for value in (ends.low, ends.estimate, ends.high))
        inside += line(low, middle, high, middle, ink, 1.1)
        if high > low:
            inside += "".join(line(end, middle - 4, end, middle + 4, ink, 1.1) for end in (low, high))
        lozenge = f"M{px(x)} {px(middle - LOZENGE_PX)}" + "".join(
            f"l{dx * LOZENGE_PX:g} {dy * LOZENGE_PX:g}" for dx, dy in ((1, 1), (-1, 1), (-1, -1))
        )
        inside += path(lozenge + "z", fill="none" if row.broken else ink, stroke=ink, stroke_width="1.4")
    return picture(width, ROW_PX, inside, f"{row.words}: {row.shown} {row.unit}")


def insertion_limit_n_m(result: ScrewResult) -> float | None:
    """What insertion may ask of the screw by the regulator's table; None where that has no row."""
    return None if result.strength is None else result.strength.torque_floors.insertion_limit_n_m


def _ends(row: MechanicsRow) -> Interval:
    return row.interval or exactly(row.value or 0.0)


def _spread(
    words: str,
    place: str,
    interval: Interval | None,
    unit: str,
    digits: int,
    told: str = "",
    *,
    broken: bool = False,
    torque: bool = False,
) -> MechanicsRow:
    """A row of a value with an interval."""
    value = None if interval is None else interval.estimate
    return MechanicsRow(words, f"{place}.estimate", value, unit, digits, told, interval, broken, torque)


def _torques(result: ScrewResult) -> Iterator[MechanicsRow]:
    torque, limit_n_m = result.torque, insertion_limit_n_m(result)
    if torque is None:
        return
    if torque.stripping_n_m is None:
        why = result.reasons.get("torque.stripping_n_m", "not known")
        yield MechanicsRow("Torque", "torque.stripping_n_m.estimate", None, "N·m", 2, why)
        return
    verdict = torque.insertion_against_limit
    yield _spread(
        "Insertion torque",
        "torque.insertion_n_m",
        torque.insertion_n_m,
        "N·m",
        2,
        verdict or "no limit",
        broken=verdict == "beyond",
        torque=True,
    )
    place = "strength.torque_floors.insertion_limit_n_m"
    if limit_n_m is not None:
        yield MechanicsRow("Half of yield", place, limit_n_m, "N·m", 2, torque=True)
    yield _spread(
        "80 % of stripping", "torque.eighty_percent_n_m", torque.eighty_percent_n_m, "N·m", 2, torque=True
    )
    advised = torque.advised_at_most_n_m
    yield MechanicsRow("Tighten at most", "torque.advised_at_most_n_m", advised, "N·m", 2, torque=True)
    if result.two_pitch is None:
        yield _spread(
            "Presses then with", "torque.compression_at_advised_n", torque.compression_at_advised_n, "N", 0
        )


def _lag(result: ScrewResult) -> Iterator[MechanicsRow]:
    lag = result.lag
    if lag is None:
        return
    by = {"technique": "Lags by technique", "design": "Lags by design"}.get(lag.by, "Across the fracture")
    if lag.pressing_n is None:
        why = result.reasons.get("lag.pressing_n", "not known")
        yield MechanicsRow(by, "lag.pressing_n.estimate", None, "N", 0, why)
    else:
        yield _spread(by, "lag.pressing_n", lag.pressing_n, "N", 0)
    if lag.angle_degree is not None:
        slides = {"held": "held by friction", "in doubt": "sliding in doubt", "slides": "fragments slide"}
        yield _spread(
            "Off square",
            "lag.angle_degree",
            lag.angle_degree,
            "°",
            0,
            slides.get(lag.sliding or "", ""),
            broken=lag.sliding == "slides",
        )
    for number, fault in enumerate(lag.faults):
        place = f"lag.faults[{number}].value_mm"
        yield MechanicsRow(FAULTS[fault.fault], place, fault.value_mm, "mm", 1, broken=True)


FAULTS = {
    "gliding-hole-narrow": "Gliding hole too narrow by",
    "gliding-hole-short": "Gliding hole short by",
    "gliding-hole-through": "Gliding hole through by",
    "threads-bridging": "Threads bridge the fracture",
    "shaft-short": "Smooth shaft short by",
    "screw-short-after-countersinking": "Too short when countersunk",
}
"""A lag screw's fault → the words of its row."""


def _two_pitch(result: ScrewResult) -> Iterator[MechanicsRow]:
    told = result.two_pitch
    if told is None:
        return
    if told.gap_along_axis_mm is None:
        why = result.reasons.get("two_pitch.closes", "not known")
        yield MechanicsRow("Gap it closes", "two_pitch.travel_mm", None, "mm", 1, why)
        return
    gap = written(told.gap_along_axis_mm, 1)
    says = f"gap {gap} mm {'closes' if told.closes else 'stays open'}"
    yield MechanicsRow(
        "Closes up to", "two_pitch.travel_mm", told.travel_mm, "mm", 1, says, broken=told.closes is False
    )
    if result.doubt is not None and (share := result.doubt.gap_closes_fraction) is not None:
        yield MechanicsRow("Gap closed in", "doubt.gap_closes_fraction", share, "", 2, "of the draws")
    if told.closes and told.force_now_n is not None:
        yield _spread("Force at once", "two_pitch.force_now_n", told.force_now_n, "N", 0, "upper bound")
        yield _spread("Force after minutes", "two_pitch.force_retained_n", told.force_retained_n, "N", 0)


def _strength(result: ScrewResult) -> Iterator[MechanicsRow]:
    if result.strength is None:
        return
    weak = result.strength.weakest
    wide = f"{weak.stretch}, ⌀ {weak.diameter_mm:g} mm"
    if weak.to_fracture_mm is None:
        at = f"{wide}; no fracture on the axis"
        yield MechanicsRow("Weakest from", "strength.weakest.from_mm", weak.from_mm, "mm", 1, at)
    else:
        yield MechanicsRow(
            "Weakest to fracture", "strength.weakest.to_fracture_mm", weak.to_fracture_mm, "mm", 1, wide
        )
    if result.angular_stability is not None:
        gain = result.angular_stability.stiffness_ratio
        yield MechanicsRow("Stiffer by locking", "angular_stability.stiffness_ratio", gain, "×", 1)
    if result.tip_apex is not None:
        limit = f"femoral heads: up to {TIP_APEX_LIMIT_MM:g} mm"
        yield MechanicsRow(
            "Tip–apex distance", "tip_apex.distance_mm", result.tip_apex.distance_mm, "mm", 1, limit
        )
