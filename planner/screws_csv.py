"""screws.csv: one row per screw and fragment, units in the header, empty where unknown.

For a spreadsheet or a statistics program. What is of the screw, its mechanics too (``mechanics_csv.py``),
stands the same in each of its rows. The profiles along the path and the reasons are in assessment.json only.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from planner.assessment_file import RESULT_DECIMALS
from planner.clearance import PARTS
from planner.mechanics_csv import mechanics_cells, mechanics_columns
from planner.vocabulary import Assessment, Clearance, FragmentResult, Interval, ScrewResult

SURFACES, ENDS, CORTICES = ("outer", "joint"), ("low", "high"), ("near", "far")
CORTEX_FIELDS = ("on_axis_mm", "on_axis_below_mm", "mass_hu_mm", "mass_mg_cm2")

_HEADER = [
    "name",
    "screw",
    "technique",
    "length_mm",
    "stocked_length_mm",
    "seat_depth_mm",
    "bone_length_mm",
    "entry_x_mm",
    "entry_y_mm",
    "entry_z_mm",
    "exit_x_mm",
    "exit_y_mm",
    "exit_z_mm",
    "tip_x_mm",
    "tip_y_mm",
    "tip_z_mm",
    "tip_depth_mm",
    "threads_bridging_mm",
    "leading_end_outer_mm",
    "leading_end_joint_mm",
    "trailing_end_outer_mm",
    "trailing_end_joint_mm",
    "body_outer_mm",
    "body_joint_mm",
    "findings",
    "fragment",
    "fragment_name",
    "axis_path_mm",
    "thread_engagement_mm",
    "threads_engaged",
    "mean_hu",
    "mean_density_mg_cm3",
    "pullout_estimate_n",
    "pullout_low_n",
    "pullout_high_n",
    "governs",
    "cautions",
    "bone_length_low_mm",
    "bone_length_high_mm",
    *(f"{part}_{surface}_{end}_mm" for part in PARTS for surface in SURFACES for end in ENDS),
    "axis_path_low_mm",
    "axis_path_high_mm",
    "thread_engagement_low_mm",
    "thread_engagement_high_mm",
    "mean_density_low_mg_cm3",
    "mean_density_high_mg_cm3",
    *(f"{end}_cortex_{field}" for end in CORTICES for field in CORTEX_FIELDS),
    "pull_out_force_n",
    "pull_out_force_low_n",
    "pull_out_force_high_n",
    "pull_out_limited_by",
    *mechanics_columns(),
]


def csv_text(assessment: Assessment) -> str:
    """screws.csv: one row per screw and fragment, units in the header, empty where unknown."""
    file = io.StringIO()
    table = csv.DictWriter(file, _HEADER, lineterminator="\n")
    table.writeheader()
    for row in csv_rows(assessment):
        table.writerow({key: csv_cell(value) for key, value in row.items()})
    return file.getvalue()


def csv_rows(assessment: Assessment) -> Iterator[dict[str, str | float | None]]:
    """The rows of screws.csv, one per screw and fragment."""
    cautions = " ".join(assessment.cautions)
    for result in assessment.screws:
        for fragment in result.fragments:
            yield {**_screw_cells(result), **_fragment_cells(fragment, result), "cautions": cautions}


def _screw_cells(result: ScrewResult) -> dict[str, str | float | None]:
    placed = result.placed
    points = {"entry": result.entry_mm, "exit": result.exit_mm, "tip": result.tip_mm}
    parts: dict[str, Clearance] = {
        "leading_end": result.leading_end,
        "trailing_end": result.trailing_end,
        "body": result.body,
    }
    cells: dict[str, str | float | None] = {
        "name": placed.name,
        "screw": placed.screw.name,
        "technique": placed.technique,
        "length_mm": placed.length_mm,
        "stocked_length_mm": result.stocked_length_mm,
        "seat_depth_mm": placed.seat_depth_mm,
        "bone_length_mm": result.bone_length_mm,
        "tip_depth_mm": result.tip_depth_mm,
        "threads_bridging_mm": result.threads_bridging_mm,
        "findings": " ".join(f"{finding.severity}:{finding.code}" for finding in result.findings),
    }
    for name, point_mm in points.items():
        cells.update({f"{name}_{axis}_mm": float(point_mm[i]) for i, axis in enumerate("xyz")})
    for name, clearance in parts.items():
        cells.update({f"{name}_outer_mm": clearance.outer, f"{name}_joint_mm": clearance.joint})
    ranges = result.intervals
    cells.update(_range_cells("bone_length", "mm", ranges.bone_length_mm))
    for name in PARTS:
        for surface in SURFACES:
            cells.update(_range_cells(f"{name}_{surface}", "mm", getattr(getattr(ranges, name), surface)))
    for name, cortex in zip(CORTICES, (result.near_cortex, result.far_cortex), strict=True):
        cells.update({f"{name}_cortex_{field}": getattr(cortex, field, None) for field in CORTEX_FIELDS})
    whole = result.pull_out
    cells["pull_out_force_n"] = None if whole is None else whole.force_n.estimate
    cells.update(_range_cells("pull_out_force", "n", None if whole is None else whole.force_n))
    cells["pull_out_limited_by"] = None if whole is None else whole.limited_by
    return cells | mechanics_cells(result)


def _range_cells(name: str, unit: str, interval: Interval | None) -> dict[str, str | float | None]:
    return {f"{name}_{end}_{unit}": getattr(interval, end, None) for end in ENDS}


def _fragment_cells(fragment: FragmentResult, result: ScrewResult) -> dict[str, str | float | None]:
    pullout = fragment.pullout_n
    return {
        "fragment": fragment.fragment,
        "fragment_name": fragment.fragment_name,
        "axis_path_mm": fragment.axis_path_mm,
        "thread_engagement_mm": fragment.thread_engagement_mm,
        "threads_engaged": fragment.threads_engaged,
        "mean_hu": fragment.mean_hu,
        "mean_density_mg_cm3": fragment.mean_density_mg_cm3,
        "pullout_estimate_n": None if pullout is None else pullout.estimate,
        "pullout_low_n": None if pullout is None else pullout.low,
        "pullout_high_n": None if pullout is None else pullout.high,
        "governs": "yes" if result.governed_by == fragment.fragment else "no",
        **_range_cells("axis_path", "mm", fragment.intervals.axis_path_mm),
        **_range_cells("thread_engagement", "mm", fragment.intervals.thread_engagement_mm),
        **_range_cells("mean_density", "mg_cm3", fragment.intervals.mean_density_mg_cm3),
    }


def csv_cell(value: str | float | None) -> str:
    """A value as a cell: empty where unknown, rounded to RESULT_DECIMALS, no text a spreadsheet computes."""
    if value is None:
        return ""
    if isinstance(value, str):
        # A spreadsheet takes such a name for a formula; an apostrophe prevents it (common practice).
        return f"'{value}" if value[:1] in ("=", "+", "-", "@") else value
    return str(round(value, RESULT_DECIMALS) + 0)
