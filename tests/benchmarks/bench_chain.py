"""The whole chain on displaced fractures: told apart or found apart, brought back, and what was believed.

    python tests/benchmarks/bench_chain.py [RUNS] [FIRST] [SCANS]

RUNS phantoms (default 1) of each of 54 kinds, from seed FIRST (default 1): three bones with waves of 0.8 and
0.3 mm, displaced by 2 to 10 mm and 5 to 25°, in the scans SCANS (default ABC), touching, near each other and
apart. Each is made into a bone twice, from a point in each piece and without one, at the level that is
chosen; the upper piece is then brought back. A line for each, and counts; errors are against the motion each
was displaced by. Nothing is stored.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from reduction_phantoms import SCANS, Broken, broken, fragments_of, seeds_of

from segmentation.errors import InputError
from segmentation.recipe import segment
from segmentation.reduction import reduce_fragment
from segmentation.vocabulary import Bone

KINDS, WAVES_MM = ("solid", "hollow", "block"), (0.8, 0.3)
PLACES_MM = {"touching": (0.0, 0.3), "near": (0.3, 1.0), "apart": (1.7, np.inf)}
"""So far apart are the pieces where they are nearest."""

BAR_MM, BAR_DEGREE = 0.4, 1.0
WRONG_MM, WRONG_DEGREE = 1.0, 3.0
"""What a pose is to keep within, and beyond which it is wrong."""


@dataclass(frozen=True)
class Run:
    """What came of one phantom; errors are None where there was nothing to fit."""

    scan: str
    kind: str
    wave_mm: float
    place: str
    clicked: bool
    seed: int
    verdict: str
    error_mm: float | None
    error_degree: float | None
    why: str
    seconds: float

    @property
    def within(self) -> bool:
        """Whether the pose keeps within the bar."""
        return self.error_mm is not None and self.error_mm < BAR_MM and self.error_degree < BAR_DEGREE

    @property
    def wrong(self) -> bool:
        """Whether the pose is wrong."""
        return self.error_mm is not None and (self.error_mm > WRONG_MM or self.error_degree > WRONG_DEGREE)


def runs(count: int, first: int, scans: str) -> Iterator[Run]:
    for seed in range(first, first + count):
        for scan in scans:
            for kind in KINDS:
                for wave_mm in WAVES_MM:
                    for place, clear_mm in PLACES_MM.items():
                        # Of its own seed each: else they would be one motion of one bone, seen again.
                        own = 100 * seed + 18 * list(SCANS).index(scan) + 6 * list(PLACES_MM).index(place)
                        own += 3 * WAVES_MM.index(wave_mm) + KINDS.index(kind)
                        made = broken(kind, own, wave_mm=wave_mm, clear_mm=clear_mm, **SCANS[scan])
                        for clicked in (True, False):
                            begun = time.process_time()
                            told = closed(made, clicked=clicked)
                            spent = time.process_time() - begun
                            yield Run(scan, kind, wave_mm, place, clicked, own, *told, spent)


def closed(made: Broken, *, clicked: bool) -> tuple[str, float | None, float | None, str]:
    """The verdict, the errors, and why it was refused."""
    bone = segment(made.ct, find_joints=False, refine=False, seeds=seeds_of(made) if clicked else ())
    lower, upper = fragments_of(made, bone)
    if lower == upper or not lower or not upper:
        return "left whole", None, None, _told(bone)
    try:
        found = reduce_fragment(bone, upper, lower)
    except InputError as fault:
        return "no face", None, None, str(fault)
    verdict = "accepted" if found.accepted else "refused"
    return verdict, *made.error(found.pose), "; ".join(found.reasons)


def _told(bone: Bone) -> str:
    return " | ".join(bone.segmentation.notes)


def line(run: Run) -> str:
    error = "" if run.error_mm is None else f"{run.error_mm:.2f} mm {run.error_degree:.2f}°"
    clicks = "click" if run.clicked else "-"
    return (
        f"{run.scan} {run.kind:6} {run.wave_mm} {run.place:8} {clicks:5} {run.seed:5}  "
        f"{run.verdict:10} {error:15} {run.seconds:5.1f} s  {run.why}"
    )


def tell(every: list[Run]) -> None:
    groups = defaultdict[tuple[str, ...], list[Run]](list)
    for run in every:
        groups[run.scan, run.place, "a point each" if run.clicked else "none"].append(run)
    groups["all", "", ""] = every
    print("| scan | pieces | clicks | runs | told apart | accepted | within the bar | wrong | mm | degrees |")
    print("|---|---|---|---|---|---|---|---|---|---|")
    for key, some in groups.items():
        fitted = [run for run in some if run.error_mm is not None]
        believed = [run for run in fitted if run.verdict == "accepted"]
        mm = np.array([run.error_mm for run in believed])
        degree = np.array([run.error_degree for run in believed])
        errors = "- | -"
        if believed:
            errors = f"{np.median(mm):.2f}, {mm.max():.2f} | {np.median(degree):.2f}, {degree.max():.2f}"
        print(
            f"| {' | '.join(key)} | {len(some)} | {len(fitted)} | {len(believed)} | "
            f"{sum(run.within for run in believed)} | {sum(run.wrong for run in believed)} | {errors} |"
        )


if __name__ == "__main__":
    defaults = ["1", "1", "ABC"]
    count, first, scans = [*sys.argv[1:4], *defaults[len(sys.argv) - 1 :]]
    every = []
    for run in runs(int(count), int(first), scans):
        every.append(run)
        print(line(run), flush=True)
    tell(every)
