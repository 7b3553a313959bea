"""The report's sentences and figures: what was measured, said without judging it.

A value that is missing is replaced by its reason, never by a zero or a dash.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.vocabulary import Assessment, Clearance, Finding, FragmentResult, Interval, ScrewResult
from viewer.report.drawing import written
from viewer.report.subject import ATTENTION

TECHNIQUE_WORDS = {"position": "position screw", "lag": "lag screw", "locking": "locking screw"}

DIGEST_LETTERS = 12
"""Letters of a digest that are printed: enough to compare by eye; the whole one stands in the files. Our choice."""

PLANE_WORDS = {
    "sagittal": "to the sagittal plane",
    "coronal": "to the coronal plane",
    "axial": "to the axial plane",
}

DEFINITIONS = (
    "Depth is measured along the axis from the entry point; bone length is entry to exit, what a depth gauge reads. "
    "Seat is the depth of the plane under the head, or of a headless screw's trailing end. Axis path is the axis's length "
    "inside a fragment. Thread engagement counts full-profile thread only, weighted by the share of the ring between core "
    "and major diameter that lies in the fragment; threads are engagement over pitch. Clearance is the smallest distance "
    "from the screw's solid to a surface, negative where it protrudes; body leaves out the portal around the entry. "
    "Density is the mean over that ring along the fragment's axis path."
)
"""The definitions the numbers rest on, shortened from the design."""


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
        return f"{'buried' if headless else 'countersunk'} {written(seat_mm)} mm"
    return f"standing {written(-seat_mm)} mm off the surface"


def interval_words(interval: Interval) -> str:
    """An estimate in whole newtons with its interval."""
    low, high = written(interval.low, 0), written(interval.high, 0)
    return f"{written(interval.estimate, 0)}\u00a0N ({low}\u00a0to\u00a0{high})"


def title_words(result: ScrewResult) -> str:
    """Which screw it is, how long, and how it is placed."""
    placed = result.placed
    # A headless screw compresses or holds by its own design: no technique is named for it.
    own_design = placed.screw.headless and placed.technique == "position"
    technique = "" if own_design else f"{TECHNIQUE_WORDS[placed.technique]}, "
    return f"{placed.screw.title}, {length_words(placed.length_mm)}, {technique}{seat_words(result)}"


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
    """What to know of a screw in a breath: the gravest finding, and the hold that governs unless a stop stands."""
    said = []
    grave = [finding for finding in sorted_findings(result.findings) if finding.severity != "note"]
    others = len(grave) - 1
    if grave:
        more = f" ({others} more under Findings)" if others else ""
        said.append(
            f"{'Stop' if grave[0].severity == 'stop' else 'Warning'}: {_ended(grave[0].message)}{more}"
        )
    else:
        said.append("No stop and no warning.")
    if has_stop(result):
        said.append("Forces are not for comparison while a stop stands.")
    elif result.pullout_n is None:
        said.append(f"Hold not told: {_ended(result.reasons.get('pullout_n', 'no reason given'))}")
    else:
        said.append(f"{_governor(result)} governs the hold: {interval_words(result.pullout_n)}.")
    return " ".join(said)


def has_stop(result: ScrewResult) -> bool:
    """Whether a stop stands against this screw."""
    return any(finding.severity == "stop" for finding in result.findings)


def _governor(result: ScrewResult) -> str:
    name = next((f.fragment_name for f in result.fragments if f.fragment == result.governed_by), None)
    return f"The fragment {name}" if name else "One fragment"


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "!", "?")) else sentence + "."


def fragment_row(result: ScrewResult, fragment: FragmentResult) -> dict[str, Any]:
    """One row of the table per fragment, every cell ready to print."""
    reasons = result.reasons
    key = f"fragments.{fragment.fragment}"
    hold = fragment.pullout_n
    return {
        "number": fragment.fragment,
        "name": fragment.fragment_name,
        "axis_path": f"{written(fragment.axis_path_mm)}",
        "engagement": f"{written(fragment.thread_engagement_mm)}",
        "threads": f"{written(fragment.threads_engaged)}",
        "hu": _or_reason(fragment.mean_hu, 0, reasons, f"{key}.mean_hu"),
        "density": _or_reason(fragment.mean_density_mg_cm3, 0, reasons, f"{key}.mean_density_mg_cm3"),
        "hold": _missing(reasons, f"{key}.pullout_n") if hold is None else f"{written(hold.estimate, 0)} N",
        "range": "" if hold is None else f"{written(hold.low, 0)} to {written(hold.high, 0)}",
        "known": hold is not None,
        "governs": fragment.fragment == result.governed_by,
        "estimate_n": None if hold is None else hold,
    }


def _or_reason(value: float | None, digits: int, reasons: Mapping[str, str], key: str) -> str:
    return _missing(reasons, key) if value is None else written(value, digits)


def _missing(reasons: Mapping[str, str], key: str) -> str:
    """Why a value is missing, in the assessment's own words."""
    return reasons.get(key, "not known; no reason was given")


def layer_rows(result: ScrewResult) -> list[dict[str, str]]:
    """Near cortex, cancellous, far cortex: depth, thickness, means."""
    return [
        {
            "name": layer.layer,
            "span": f"{written(layer.from_mm)} to {written(layer.to_mm)}",
            "thick": written(layer.to_mm - layer.from_mm),
            "hu": _or_reason(layer.mean_hu, 0, result.reasons, f"layers.{layer.layer}.mean_hu"),
            "density": _or_reason(
                layer.mean_density_mg_cm3, 0, result.reasons, f"layers.{layer.layer}.mean_density_mg_cm3"
            ),
        }
        for layer in result.layers
    ]


def clearance_rows(result: ScrewResult) -> list[dict[str, str]]:
    """Leading end, body and trailing end (or whole head) against outer and joint surface."""
    parts: tuple[tuple[str, str, Clearance], ...] = (
        ("leading end", "leading_end", result.leading_end),
        ("body", "body", result.body),
        ("trailing end", "trailing_end", result.trailing_end),
    )
    rows = []
    for words, name, clearance in parts:
        row = {"part": words}
        for surface in ("outer", "joint"):
            value = getattr(clearance, surface)
            row[surface] = _or_reason(value, 1, result.reasons, f"clearance_mm.{name}.{surface}")
            row[f"{surface}_known"] = "" if value is None else "yes"
        rows.append(row)
    return rows


def geometry_rows(result: ScrewResult) -> list[tuple[str, str]]:
    """Lengths along the axis, and its angles."""
    rows = [
        ("bone length, entry to exit", f"{written(result.bone_length_mm)} mm"),
        ("seat", seat_words(result)),
        ("tip depth", f"{written(result.tip_depth_mm)} mm"),
        ("nearest stocked length", length_words(result.stocked_length_mm)),
    ]
    if result.gliding_hole_to_mm is not None:
        rows.append(("gliding hole, from the entry to", f"{written(result.gliding_hole_to_mm)} mm"))
    if result.threads_bridging_mm > 0:
        rows.append(("thread that bridges the fracture", f"{written(result.threads_bridging_mm)} mm"))
    rows += [
        (f"angle {PLANE_WORDS.get(plane, plane)}", f"{written(degree, 0)}°")
        for plane, degree in result.angles_degree.items()
    ]
    return rows


def finding_rows(result: ScrewResult) -> list[dict[str, str]]:
    """Findings, gravest first, with the value against its limit where there is one."""
    rows = []
    for finding in sorted_findings(result.findings):
        rows.append(
            {
                "severity": finding.severity,
                "message": finding.message,
                "code": finding.code,
                "limit": "" if finding.limit is None else f"limit {finding.limit:g}",
                "value": "" if finding.value is None else f"found {finding.value:.3g}",
                "source": finding.source,
            }
        )
    return rows


def provenance_rows(assessment: Assessment, *, removed: list[str]) -> list[tuple[str, str]]:
    """Versions, digests, settings: what another person needs to get the same numbers."""
    bone, made = assessment.bone, assessment.made_with
    voxel = " × ".join(f"{step:.2f}" for step in bone.get("voxel_mm", ()))
    rows = [("CT", f"voxels {voxel} mm")] if voxel else []
    rows.append(("threshold", f"{bone['threshold_hu']:.0f} HU: {bone['threshold_reason']}"))
    rows.append(
        (
            "fragments",
            "; ".join(
                f"{f['number']} {f['name']} of {f['bone']}, {f['volume_mm3']:.0f} mm³"
                for f in bone["fragments"]
            ),
        )
    )
    rows.append(("density", _calibration_words(bone)))
    rows.append(
        (
            "joint",
            "surface given as a file"
            if bone["joint"]
            else "no joint surface given: distances to a joint are not told",
        )
    )
    rows.append(("taken off", "; ".join(removed) if removed else "nothing"))
    if bone.get("notes"):
        rows.append(("remarks", " ".join(_ended(str(note)) for note in bone["notes"])))
    settings = made.get("settings", {})
    if "shear_law" in settings:
        rows.append(("hold", f"{settings['shear_law']}: {settings['shear_law_source']}"))
    if "limits" in settings:
        rows.append(
            ("limits", ", ".join(_limit_words(key, value) for key, value in settings["limits"].items()))
        )
    rows.append(("intervals", "5th to 95th percentile"))
    versions = ", ".join(f"{key} {value}" for key, value in made.items() if isinstance(value, str))
    rows.append(("made with", versions))
    digests = ", ".join(f"{key} {value[:DIGEST_LETTERS]}…" for key, value in made.get("digests", {}).items())
    rows.append(("digests", f"{digests} (SHA-256, first {DIGEST_LETTERS} letters)" if digests else "none"))
    return rows


def _limit_words(key: str, value: float) -> str:
    """A limit's name and value: "body clearance 1 mm"."""
    name, _, unit = key.rpartition("_")
    return f"{name.replace('_', ' ')} {value:g}{' mm' if unit == 'mm' else ''}"


def _calibration_words(bone: Mapping[str, Any]) -> str:
    calibration = bone["calibration"]
    if calibration is None:
        return f"not calibrated: {bone.get('calibration_reason') or 'no reason given'}"
    kind = "given" if calibration["kind"] == "given" else "default for the tube voltage"
    return (
        f"{calibration['slope_mg_cm3_per_hu']:g} · HU {calibration['intercept_mg_cm3']:+g} mg/cm³, {kind}, standard error "
        f"{calibration['standard_error_fraction'] * 100:g} %: {calibration['source']}"
    )


def check_words(result: ScrewResult) -> str:
    """What to check in theatre, from this screw's own numbers."""
    end = "the trailing end under the surface" if result.placed.screw.headless else "the head's seat"
    return (
        f"{result.placed.name}: the depth gauge against {written(result.bone_length_mm)} mm; the tip in at least three "
        f"projections; {end}. If the gauge differs by more than 1 mm, the plan does not fit this path."
    )
