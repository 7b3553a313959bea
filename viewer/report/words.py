"""The report's sentences and figures: what was measured, said without judging it.

A value that is missing is replaced by its reason, never by a zero or a dash.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil
from typing import Any

from planner.lag import lags_by
from planner.vocabulary import (
    Clearance,
    ClearanceIntervals,
    Finding,
    FragmentResult,
    Interval,
    Screw,
    ScrewResult,
    Technique,
)
from viewer.ranges import is_point, shown_digits
from viewer.report.drawing import written
from viewer.report.subject import ATTENTION

TECHNIQUE_WORDS = {"position": "position screw", "lag": "lag screw", "locking": "locking screw"}

LEAVES_SCAN = "axis-leaves-scan"
"""The finding after which a bone length is no length to check against."""

SHARP_KERNEL_CODE = "sharp-kernel"
"""The finding that stands wherever a density does."""

LENGTH_KEY = "bone_length_mm"
"""Key of the reason why a bone length is only the least it can be."""

FAR_CORTEX = "far cortex"

NO_THREAD, HELD_BY_HEAD = "no thread bites", "held by the head"
"""What stands instead of a force where no thread bites."""

WHOLE_FROM = 100
"""Values from here on are told without decimals. Our choice."""

MARKS = "¹²³⁴⁵⁶⁷⁸⁹"
"""Marks of footnotes."""

PLANE_WORDS = {
    "sagittal": "to the sagittal plane",
    "coronal": "to the coronal plane",
    "axial": "to the axial plane",
}


def length_words(length_mm: float) -> str:
    """A marked length: 24 mm, 22.5 mm."""
    return f"{length_mm:g} mm"


def seat_words(result: ScrewResult) -> str:
    """How the screw sits at the entry.

    Says what was planned, not whether it is good.
    """
    seat_mm = result.placed.seat_depth_mm
    headless = result.placed.screw.headless
    if abs(seat_mm) < 0.05:
        return "flush with the surface" if headless else "head on the surface"
    if seat_mm > 0:
        # Where the surface slants, its rim may lie bare at a seat that is deep on the axis.
        return f"{'sunk' if headless else 'countersunk'} {written(seat_mm)} mm on the axis"
    return f"standing {written(-seat_mm)} mm off the surface"


def cut_off(result: ScrewResult) -> bool:
    """Whether the scan ends before the bone does: its length, and its exit, are then not known."""
    return LENGTH_KEY in result.reasons


def range_words(interval: Interval | None, digits: int | None = None) -> str:
    """An interval alone: "25.4 to 25.8"; nothing where there is none."""
    if interval is None or is_point(interval):
        return ""
    digits = shown_digits(interval) if digits is None else digits
    return f"{written(interval.low, digits)}\u00a0to\u00a0{written(interval.high, digits)}"


def with_range(said: str, interval: Interval | None) -> str:
    """A length as it is said, with its interval where there is one: "25.6 (25.4 to 25.8)"."""
    if interval is None or is_point(interval):
        return said
    return f"{said}\u00a0({range_words(interval)})"


def bone_length_words(result: ScrewResult) -> str:
    """Entry to exit, or to where the scan ends."""
    said = f"{'at least ' if cut_off(result) else ''}{written(result.bone_length_mm)}"
    return f"{with_range(said, result.intervals.bone_length_mm)} mm"


def axis_path_words(result: ScrewResult, fragment: int, length_mm: float) -> str:
    """A length of the axis inside a fragment in mm; the fragment that the scan cuts off goes on."""
    inside = result.profile.depth_mm <= result.bone_length_mm
    crossed = result.profile.fragment[inside & (result.profile.fragment > 0)]
    goes_on = cut_off(result) and len(crossed) > 0 and int(crossed[-1]) == fragment
    return f"{'at least ' if goes_on else ''}{written(length_mm)}"


def interval_words(interval: Interval) -> str:
    """An estimate in whole newtons with its interval."""
    low, high = written(interval.low, 0), written(interval.high, 0)
    return f"{written(interval.estimate, 0)}\u00a0N ({low}\u00a0to\u00a0{high})"


def technique_words(screw: Screw, technique: Technique) -> str:
    """What a screw does to a fracture: a partly threaded one presses by its design, two pitches by theirs."""
    match lags_by(screw, technique):
        case "design":
            return "lag by design"
        case "technique":
            return "lag by a gliding hole"
        case "two pitches":
            return "compresses by its own pitches"
    return TECHNIQUE_WORDS[technique]


def title_words(result: ScrewResult) -> str:
    """Which screw it is, how long, and how it is placed."""
    placed = result.placed
    # A headless screw compresses or holds by its own design: no technique is named for it.
    own_design = placed.screw.headless and placed.technique == "position"
    technique = "" if own_design else f"{TECHNIQUE_WORDS[placed.technique]}, "
    return f"{placed.screw.title}, {length_words(placed.length_mm)}, {technique}{seat_words(result)}"


def kernel_words(result: ScrewResult) -> str:
    """What to know of densities from a sharp kernel; nothing of another."""
    return next((finding.message for finding in result.findings if finding.code == SHARP_KERNEL_CODE), "")


def counted_words(findings: tuple[Finding, ...]) -> str:
    """How many findings of each severity, gravest first: "1 stop, 2 warnings, 1 note"."""
    names = {"stop": ("stop", "stops"), "warn": ("warning", "warnings"), "note": ("note", "notes")}
    counts = {severity: sum(f.severity == severity for f in findings) for severity in names}
    said = [f"{count} {names[severity][count != 1]}" for severity, count in counts.items() if count]
    return ", ".join(said) if said else "no findings"


def sorted_findings(findings: tuple[Finding, ...]) -> list[Finding]:
    """Gravest first, otherwise in the order of the assessment."""
    return sorted(findings, key=lambda finding: -ATTENTION[finding.severity])


def summary_words(result: ScrewResult) -> str:
    """What to know of a screw in a breath: the gravest finding, and the hold that governs unless a stop
    stands."""
    said = []
    grave = [finding for finding in sorted_findings(result.findings) if finding.severity != "note"]
    others = len(grave) - 1
    if grave:
        said.append(f"{'Stop' if grave[0].severity == 'stop' else 'Warning'}: {ended(grave[0].message)}")
        if others:
            said.append(f"{others} more under Findings.")
    else:
        said.append("No stop and no warning.")
    if has_stop(result):
        said.append("Forces are not for comparison while a stop stands.")
    elif result.pullout_n is None:
        said.append(f"Hold not told: {ended(result.reasons.get('pullout_n', 'no reason given'))}")
    else:
        said.append(f"The hold is governed by {_governor(result)}: {interval_words(result.pullout_n)}.")
    return " ".join(said)


def has_stop(result: ScrewResult) -> bool:
    """Whether a stop stands against this screw."""
    return any(finding.severity == "stop" for finding in result.findings)


def _governor(result: ScrewResult) -> str:
    name = next((f.fragment_name for f in result.fragments if f.fragment == result.governed_by), None)
    return name or "one fragment"


def capital(said: str) -> str:
    """A sentence with a capital letter at its beginning.

    >>> capital("bone shows 0.62 mm")
    'Bone shows 0.62 mm'
    """
    return said[:1].upper() + said[1:]


def ended(sentence: str) -> str:
    """A sentence with its full stop."""
    return sentence if sentence.endswith((".", "!", "?")) else sentence + "."


class Footnotes:
    """Cells of a table whose values may be missing: each reason is told once, below, under a mark."""

    def __init__(self, reasons: Mapping[str, str]) -> None:
        self._reasons = reasons
        self._said: list[str] = []

    def cell(self, value: float | None, digits: int, key: str) -> str:
        """The value, or "not told" with the mark of its reason in the assessment."""
        if value is not None:
            return written(value, digits)
        return f"not told {self.mark(key)}"

    def mark(self, key: str) -> str:
        """The mark of a reason, which is told below."""
        reason = self._reasons.get(key, "not known; no reason was given")
        if reason not in self._said:
            self._said.append(reason)
        return self._mark(self._said.index(reason))

    @property
    def words(self) -> str:
        """Every reason told so far, with its mark."""
        return " ".join(f"{self._mark(place)} {ended(reason)}" for place, reason in enumerate(self._said))

    def _mark(self, place: int) -> str:
        return MARKS[place] if place < len(MARKS) else f"({place + 1})"


def fragment_row(result: ScrewResult, fragment: FragmentResult, notes: Footnotes) -> dict[str, Any]:
    """One row of the table per fragment, every cell ready to print."""
    key = f"fragments.{fragment.fragment}"
    hold = bitten_hold(fragment)
    if fragment.thread_engagement_mm <= 0:
        said = HELD_BY_HEAD if held_by_head(result, fragment) else NO_THREAD
    else:
        said = notes.cell(None if hold is None else hold.estimate, 0, f"{key}.pullout_n")
    return {
        "name": fragment.fragment_name,
        "axis_path": axis_path_words(result, fragment.fragment, fragment.axis_path_mm),
        "axis_path_range": range_words(fragment.intervals.axis_path_mm),
        "engagement": written(fragment.thread_engagement_mm),
        "engagement_range": range_words(fragment.intervals.thread_engagement_mm),
        "density_range": range_words(fragment.intervals.mean_density_mg_cm3, 0),
        "threads": written(fragment.threads_engaged),
        "hu": notes.cell(fragment.mean_hu, 0, f"{key}.mean_hu"),
        "density": notes.cell(fragment.mean_density_mg_cm3, 0, f"{key}.mean_density_mg_cm3"),
        "hold": said if hold is None else f"{said} N",
        "range": "" if hold is None else f"{written(hold.low, 0)} to {written(hold.high, 0)}",
        "governs": fragment.fragment == result.governed_by,
    }


def bitten_hold(fragment: FragmentResult) -> Interval | None:
    """The hold of a fragment that thread bites in; None where none does, or where it is not known."""
    return fragment.pullout_n if fragment.thread_engagement_mm > 0 else None


def held_by_head(result: ScrewResult, fragment: FragmentResult) -> bool:
    """Whether a fragment without thread is the one under the head of a screw that goes on into another.

    A locking screw's head lies in a plate and presses on no bone.
    """
    crossed = [other for other in result.fragments if other.axis_path_mm > 0]
    seated = not result.placed.screw.headless and result.placed.technique != "locking"
    return seated and len(crossed) > 1 and fragment is crossed[0] and fragment.thread_engagement_mm <= 0


def layer_rows(result: ScrewResult, notes: Footnotes) -> list[dict[str, str]]:
    """Near cortex, cancellous, far cortex: depth, thickness, means.

    Of a cortex that is not told apart nothing is told, nor how thick the bone beside it is.
    """
    unsure = cortices_not_told(result)
    rows = []
    for layer in result.layers:
        key = unsure.get(layer.layer)
        if key is not None:
            untold = notes.cell(None, 0, key)
            row = dict.fromkeys(("span", "thick", "hu", "density"), untold) | {"name": layer.layer}
            below_mm = _cortex_below_mm(result, layer.layer)
            if below_mm is not None:
                row["thick"] = f"below\u00a0{written(ceil(below_mm * 10) / 10)} {notes.mark(key)}"
            rows.append(row)
            continue
        thick_mm = None if unsure and layer.layer == "cancellous" else layer.to_mm - layer.from_mm
        rows.append(
            {
                "name": layer.layer,
                "span": f"{written(layer.from_mm)} to {written(layer.to_mm)}",
                "thick": notes.cell(thick_mm, 1, next(iter(unsure.values()), "")),
                "hu": notes.cell(layer.mean_hu, 0, f"layers.{layer.layer}.mean_hu"),
                "density": notes.cell(
                    layer.mean_density_mg_cm3, 0, f"layers.{layer.layer}.mean_density_mg_cm3"
                ),
            }
        )
    return rows


def _cortex_below_mm(result: ScrewResult, layer: str) -> float | None:
    """What a cortex is thinner than that could not be measured."""
    if cut_off(result) and layer == FAR_CORTEX:
        return None
    cortex = result.far_cortex if layer == FAR_CORTEX else result.near_cortex
    return None if cortex is None else cortex.on_axis_below_mm


def cortices_not_told(result: ScrewResult) -> dict[str, str]:
    """Layers whose cortex could not be told apart or lies beyond the scan, with the key of the reason."""
    ends = {"near cortex": "to_mm", FAR_CORTEX: "from_mm"}
    keys = {name: f"layers.{name}.{end}" for name, end in ends.items()}
    unsure = {name: key for name, key in keys.items() if key in result.reasons}
    return unsure | {FAR_CORTEX: LENGTH_KEY} if cut_off(result) else unsure


def clearance_rows(result: ScrewResult, notes: Footnotes) -> list[dict[str, str]]:
    """Leading end, body and trailing end against outer and joint surface."""
    ranges = result.intervals
    parts: tuple[tuple[str, str, Clearance, ClearanceIntervals], ...] = (
        ("leading end", "leading_end", result.leading_end, ranges.leading_end),
        ("body", "body", result.body, ranges.body),
        ("trailing end", "trailing_end", result.trailing_end, ranges.trailing_end),
    )
    return [
        {
            "part": words,
            "outer": notes.cell(clearance.outer, 1, f"clearance_mm.{name}.outer"),
            "outer_range": range_words(interval.outer),
            "joint": notes.cell(clearance.joint, 1, f"clearance_mm.{name}.joint"),
            "joint_range": range_words(interval.joint),
        }
        for words, name, clearance, interval in parts
    ]


def geometry_rows(result: ScrewResult, notes: Footnotes) -> list[tuple[str, str]]:
    """Lengths along the axis, and its angles."""
    length = bone_length_words(result)
    rows = [
        ("bone length, entry to the scan's end", f"{length} {notes.mark(LENGTH_KEY)}")
        if cut_off(result)
        else ("bone length, entry to exit", length),
        ("seat", seat_words(result)),
        ("tip depth", f"{written(result.tip_depth_mm)} mm"),
        ("nearest stocked length", length_words(result.stocked_length_mm)),
    ]
    if result.gliding_hole_to_mm is not None:
        to = with_range(written(result.gliding_hole_to_mm), result.intervals.gliding_hole_to_mm)
        rows.append(("gliding hole, from the entry to", f"{to} mm"))
    if result.threads_bridging_mm > 0:
        rows.append(("thread that bridges the fracture", f"{written(result.threads_bridging_mm)} mm"))
    rows += [
        (f"angle {PLANE_WORDS.get(plane, plane)}", f"{written(degree, 0)}°")
        for plane, degree in result.angles_degree.items()
    ]
    return rows


def finding_rows(result: ScrewResult) -> list[dict[str, str]]:
    """Findings, gravest first, with the value against its limit where there is one."""
    return [
        {
            "severity": finding.severity,
            "message": finding.message,
            "code": finding.code,
            "limit": "" if finding.limit is None else f"limit {_figure(finding.limit, f'{finding.limit:g}')}",
            "value": ""
            if finding.value is None
            else f"found {_figure(finding.value, f'{finding.value:.3g}')}",
            "source": finding.source,
        }
        for finding in sorted_findings(result.findings)
    ]


def _figure(value: float, said: str) -> str:
    """A value of any unit as it is ``said``; whole from a hundred, for no number is known more finely."""
    return written(value, 0) if abs(value) >= WHOLE_FROM else said.replace("-", "−")


def check_words(result: ScrewResult) -> str:
    """What to check in theatre, from this screw's own numbers."""
    end = "the trailing end under the surface" if result.placed.screw.headless else "the head's seat"
    checks = f"the tip in at least three projections; {end}."
    if cut_off(result) or any(finding.code == LEAVES_SCAN for finding in result.findings):
        return f"{result.placed.name}: {checks} The scan does not show where the path ends: measure it there."
    name, fits = result.placed.name, "differs by more than 1 mm, the plan does not fit this path."
    gauge = next((step for step in result.drilling if step.step == "gauge"), None)
    if gauge is not None and gauge.to_mm >= result.bone_length_mm:
        told = None
        if gauge.low_mm is not None and gauge.high_mm is not None:
            told = Interval(gauge.reading_mm, gauge.low_mm, gauge.high_mm)
        reads = f"the depth gauge, from the seat, against {with_range(written(gauge.reading_mm), told)} mm"
        return f"{name}: {reads}; {checks} If the gauge {fits}"
    # Nothing is drilled through: what lies beyond the tip is not gauged but seen.
    whole = result.intervals.bone_length_mm
    ends = None
    if whole is not None:
        ends = Interval(*(one - result.tip_depth_mm for one in (whole.estimate, whole.low, whole.high)))
    beyond = with_range(written(result.bone_length_mm - result.tip_depth_mm), ends)
    return (
        f"{name}: with wire or drill {written(result.tip_depth_mm)} mm deep from the bone's surface, the far "
        f"surface against {beyond} mm beyond it in the image; {checks} If that {fits}"
    )
