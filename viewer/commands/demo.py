"""``pilothole demo``: bones of our own, made from formulas, from CT to report; or their files alone."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

if TYPE_CHECKING:
    from demo_volumes.make import DemoCase

SHOWN_DEMOS = ("scaphoid-waist", "diaphysis")
"""What ``pilothole demo`` runs: a screw near joint surfaces, and a lag screw across a shaft's fracture."""

DEFAULT_FOLDER = "pilothole-demo"


def demo(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="One demo; its files only.")] = None,
    list_names: Annotated[bool, typer.Option("--list", help="List the demos.")] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="New folder (default: ./pilothole-demo, -2, …)."),
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Another patient of the same kind.")] = None,
    side: Annotated[Literal["left", "right"] | None, typer.Option(help="Side of the body.")] = None,
    voxel_mm: Annotated[
        float | None, typer.Option("--voxel-mm", metavar="MM", help="Edge of a voxel.")
    ] = None,
    fwhm_mm: Annotated[
        float | None, typer.Option("--fwhm-mm", metavar="MM", help="Blur of the scanner.")
    ] = None,
    noise_hu: Annotated[float | None, typer.Option("--noise-hu", metavar="HU", help="Noise, 1 sd.")] = None,
    gap_mm: Annotated[float | None, typer.Option("--gap-mm", metavar="MM", help="Fracture gap.")] = None,
    cortex_mm: Annotated[float | None, typer.Option("--cortex-mm", metavar="MM", help="Cortex.")] = None,
    density_mg_cm3: Annotated[
        float | None, typer.Option("--density-mg-cm3", metavar="MG/CM3", help="Density the screw holds in.")
    ] = None,
) -> None:
    """Run the whole path on two invented bones, or make one's files.

    \b
    Examples:
      pilothole demo                        CT, case, measurement and report of two bones
      pilothole demo --list
      pilothole demo scaphoid-waist --out s1 --seed 7 --side left --noise-hu 20

    The bones are made from formulas. With a NAME: ct.nii.gz, plan.json and truth.json (what a perfect planner
    would measure), joint.ply where the bone has a joint, and the commands to go on with.
    """
    from demo_volumes.make import demo_names
    from segmentation.errors import InputError
    from viewer.console import say

    settings = {
        "seed": seed,
        "side": side,
        "voxel_mm": voxel_mm,
        "fwhm_mm": fwhm_mm,
        "noise_hu": noise_hu,
        "gap_mm": gap_mm,
        "cortex_mm": cortex_mm,
        "density_mg_cm3": density_mg_cm3,
    }
    given = {key: value for key, value in settings.items() if value is not None}
    if list_names:
        for known, sentence in demo_names().items():
            say(f"{known:<20}  {sentence}")
    elif name is None:
        if given:
            option = next(iter(given)).replace("_", "-")
            raise InputError(f"--{option} needs the NAME of a demo; 'pilothole demo --list' lists them")
        _run_shown_demos(_new_folder(out))
    else:
        _make_one(name, _new_folder(out or Path(f"{DEFAULT_FOLDER}-{Path(name).name}")), given)


def _new_folder(wanted: Path | None) -> Path:
    """The folder to make: the wanted one, which must be new or empty, or the next free default name."""
    from segmentation.errors import InputError
    from segmentation.files import shown

    if wanted is not None:
        if wanted.exists() and (not wanted.is_dir() or any(wanted.iterdir())):
            raise InputError(
                f"{shown(wanted.name)} exists and is not an empty folder; give --out another name"
            )
        return wanted
    number = 1
    while (folder := Path(DEFAULT_FOLDER + (f"-{number}" if number > 1 else ""))).exists():
        number += 1
    return folder


def _make_one(name: str, folder: Path, given: dict[str, Any]) -> None:
    from demo_volumes.make import make_demo
    from viewer.console import say, working
    from viewer.demo_case import write_demo_files

    with working(f"demo {name}") as progress:
        progress("making the bone")
        made = make_demo(name, **given)
        progress("writing")
        write_demo_files(folder, made)
    say(f"{folder}: ct.nii.gz, plan.json, truth.json" + (", joint.ply" if made.joint is not None else ""))
    say("Go on with:")
    for line in _commands(folder, made):
        say(f"  {line}")


def _run_shown_demos(folder: Path) -> None:
    from viewer.console import say, working
    from viewer.demo_case import write_demo_case, write_demo_report
    from viewer.summary import tell_cautions

    began_s = time.monotonic()
    reports = []
    for number, name in enumerate(SHOWN_DEMOS, 1):
        with working(f"demo {number} of {len(SHOWN_DEMOS)}, {name}") as progress:
            case = write_demo_case(folder / name, name, progress)
            reports.append(write_demo_report(case, progress))
    say(f"Two cases are in {folder} (made in {time.monotonic() - began_s:.0f} s). Look first at:")
    for report in reports:
        say(f"  {report}")
    say("Open it in a browser: the strip shows bone, density and thread along the screw, findings beside it.")
    say(f"Then measure another length: edit {folder / SHOWN_DEMOS[0] / 'case' / 'plan.json'} and run")
    say(f"  pilothole measure {folder / SHOWN_DEMOS[0] / 'case'}")
    tell_cautions()


def _commands(folder: Path, made: DemoCase) -> list[str]:
    """The command lines that go on from the files, to paste."""
    from viewer.demo_case import demo_options

    options = demo_options(folder, made)
    words = [
        f"pilothole segment {_quoted(folder / 'ct.nii.gz')} --out {_quoted(folder / 'case')}",
        f"--threshold {options.threshold_hu:g} --calibration {options.calibration} --host {options.host}",
        *(["--refine"] if options.refine else []),
        *(f"--name {_quoted(name)}" for name in options.names),
        *([f"--joint {_quoted(options.joint)}"] if options.joint else []),
    ]
    moved = made.truth["displacement"]
    case = _quoted(folder / "case")
    return [
        " ".join(words),
        *(
            [f"pilothole reduce {case} --move {_quoted(moved['move'])} --onto {_quoted(moved['onto'])}"]
            if moved
            else []
        ),
        f"pilothole measure {case} --plan {_quoted(folder / 'plan.json')} --json -",
    ]


def _quoted(word: object) -> str:
    import shlex

    return shlex.quote(str(word))
