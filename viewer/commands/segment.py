"""``pilothole segment``: a CT becomes a case folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

Cuts = Annotated[
    list[str] | None,
    typer.Option("--cut", metavar="x,y,z,nx,ny,nz", help="Divide the fragment at x,y,z; again for more."),
]
Names = Annotated[
    list[str] | None,
    typer.Option(
        "--name", metavar="x,y,z=FRAGMENT[@BONE]", help="Name the fragment at x,y,z; again for more."
    ),
]


def segment(
    ct: Annotated[Path, typer.Argument(metavar="CT", help="A NIfTI file or DICOM: folder, zip or DICOMDIR.")],
    out: Annotated[Path, typer.Option("--out", metavar="CASE", help="The case folder to make.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Take the place of an older case; its plan.json is kept.")
    ] = False,
    series: Annotated[
        int | None, typer.Option(metavar="N", help="Which DICOM series, as 'pilothole scan' counts them.")
    ] = None,
    threshold: Annotated[
        float | None,
        typer.Option(metavar="HU", help="The level where bone begins (default: found, with a reason)."),
    ] = None,
    calibration: Annotated[
        str | None,
        typer.Option(metavar="SLOPE,INTERCEPT", help="HU to mg/cm³ (default: by the tube voltage)."),
    ] = None,
    rods: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="HU to mg/cm³ by rods in the scan, told in a JSON file."),
    ] = None,
    calibrate_by_tissues: Annotated[
        bool, typer.Option("--calibrate-by-tissues", help="HU to mg/cm³ by the scan's air, fat and muscle.")
    ] = False,
    kvp: Annotated[
        float | None, typer.Option(metavar="KV", help="Tube voltage of a scan that does not tell.")
    ] = None,
    host: Annotated[Literal["bone", "foam"], typer.Option(help="What the density means.")] = "bone",
    cut: Cuts = None,
    edits: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Cuts, merges and joint brushes in order, as bone.json keeps them."
        ),
    ] = None,
    name: Names = None,
    labels: Annotated[
        Path | None, typer.Option(metavar="FILE", help="NIfTI on the CT's grid: 0 outside, n = fragment n.")
    ] = None,
    seeds: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Named points inside bones that touch, in a JSON file."),
    ] = None,
    joint: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.ply", help="The joint surface, in RAS+ mm (default: found between bones)."
        ),
    ] = None,
    keep_small: Annotated[bool, typer.Option("--keep-small", help="Keep pieces under 50 mm³.")] = False,
    refine: Annotated[
        bool | None,
        typer.Option(
            "--refine/--plain", help="Take the scanner's blur out (default: where no level is given)."
        ),
    ] = None,
) -> None:
    """Take the bone from a CT and write a case folder.

    \b
    Examples:
      pilothole segment ct.nii.gz --out case --threshold 226 --calibration 0.77,0
      pilothole segment dicom/ --out case --replace
      pilothole segment dicom/ --out case --rods rods.json
      pilothole segment dicom/ --out case --calibrate-by-tissues
      pilothole segment dicom/ --out case --seeds seeds.json
      pilothole segment ct.nii.gz --out case --cut -12,3,4,0,0,1 --name "-12,3,9=distal@radius"
      pilothole segment ct.nii.gz --out case --edits edits.json

    Fragments are numbered from the largest; the side a cut's normal points to gets the new number. --replace
    makes the bone anew from these options alone: it removes the old assessment and report with the old bone,
    tells which names, poses, edits and seeds are gone with it, and keeps every other file.
    """
    from segmentation.again import lost_at
    from segmentation.case import write_case
    from viewer.console import working
    from viewer.pipeline import SegmentOptions, bone_from_ct, check_target
    from viewer.summary import tell_bone

    check_target(out, replace=replace)
    options = SegmentOptions(
        series=series,
        threshold_hu=threshold,
        refine=refine,
        calibration=calibration,
        rods=rods,
        by_tissues=calibrate_by_tissues,
        tube_voltage_kv=kvp,
        host=host,
        cuts=cut or (),
        edits=edits,
        names=name or (),
        labels=labels,
        seeds=seeds,
        joint=joint,
        keep_small=keep_small,
    )
    with working("segment") as progress:
        bone = bone_from_ct(ct, options, progress)
        progress("writing the case")
        lost = lost_at(out, bone) if replace else None
        write_case(out, bone, replace=replace)
    tell_bone(bone, out, lost)
