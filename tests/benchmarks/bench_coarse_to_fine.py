"""How near coarse to fine comes to looking everywhere: the best hold of the one over that of the other.

Random bones: ellipsoids and beans, whole, in two fragments and in three, turned, of uneven density. Each is
searched both ways with one family of screws. Printed are the ratios' distribution, the worst bones and the
time of each search. Run it alone: ``python tests/benchmarks/bench_coarse_to_fine.py [BONES] [FIRST SEED]``.
"""

from __future__ import annotations

import os
import platform
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numba
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from phantoms import rotation
from search_phantoms import Formula, bone_of

from planner.assess import ready
from planner.catalogue import built_in_screws
from planner.search import Wish, search
from planner.search_space import search_space
from segmentation.vocabulary import Bone

BAR_RATIO = 0.995
SCREWS = ("headless-two-pitch-3.0-3.9", "iso5835-ha-2.7", "cannulated-4.0-partial")
LENGTHS_MM = (16.0, 17.0, 18.0, 19.0, 20.0, 21.0, 22.0, 24.0, 26.0)
PIECES = (2, 3, 1, 2, 3, 2)


@dataclass(frozen=True)
class Case:
    """A random bone, what it is, and the screw that is sought in it."""

    bone: Bone
    words: str
    screw: str


def random_case(seed: int) -> Case:
    """Bone ``seed``: its shape and pieces go round, its sizes, cuts and grey values are drawn."""
    rng = np.random.default_rng(seed)
    half_mm = np.array([rng.uniform(11, 14), rng.uniform(5.2, 6.5), rng.uniform(5.2, 6.5)])
    bend_per_mm = rng.uniform(0.01, 0.02) if seed % 2 else 0.0
    pieces = PIECES[seed // 2 % len(PIECES)]
    tilt = np.array([1.0, *rng.uniform(-0.4, 0.4, 2)])
    tilt /= np.linalg.norm(tilt)
    cuts_mm = {1: [], 2: [rng.uniform(-2, 2)], 3: [rng.uniform(-6, -4), rng.uniform(4, 6)]}[pieces]
    waves = rng.uniform(0.15, 0.5, (4, 3)) * rng.choice([-1, 1], (4, 3))
    phases, sizes = rng.uniform(0, 2 * np.pi, 4), rng.uniform(40, 120, 4)

    def whole(x, y, z):
        reach = np.sqrt(
            (x / half_mm[0]) ** 2 + (y / half_mm[1]) ** 2 + ((z - bend_per_mm * x * x) / half_mm[2]) ** 2
        )
        return half_mm[1:].min() * (1 - reach)

    def piece(low_mm: float, high_mm: float) -> Formula:
        def inside(x, y, z):
            along = tilt[0] * x + tilt[1] * y + tilt[2] * z
            return np.minimum(whole(x, y, z), np.minimum(along - low_mm, high_mm - along))

        return inside

    def hu(x, y, z):
        told = 450 + 0 * x
        for wave, phase, size in zip(waves, phases, sizes, strict=True):
            told = told + size * np.sin(wave[0] * x + wave[1] * y + wave[2] * z + phase)
        return told

    edges = [-99.0, *cuts_mm, 99.0]
    gap = [0.0, *([0.3] * len(cuts_mm)), 0.0]
    bone = bone_of(
        [piece(edges[n] + gap[n], edges[n + 1] - gap[n + 1]) for n in range(pieces)],
        hu,
        (half_mm[0] + 1, half_mm[1] + 1, half_mm[2] + 1 + bend_per_mm * half_mm[0] ** 2),
        turn=rotation(seed),
        fracture=(cuts_mm[0] * tilt, tilt) if cuts_mm else None,
    )
    shape = "bean" if bend_per_mm else "ellipsoid"
    return Case(bone, f"{shape} of {pieces}", SCREWS[seed % len(SCREWS)])


def main(bones_count: int = 200, first_seed: int = 0) -> None:
    """Search every bone both ways, and print."""
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, {numba.get_num_threads()} threads, "
        f"load {os.getloadavg()[0]:.1f}"
    )
    rows = []
    for seed in range(first_seed, first_seed + bones_count):
        case = random_case(seed)
        bone = ready(case.bone)
        space = search_space(bone.prepared, "bone")
        told = []
        for exhaustive in (False, True):
            screw = replace(built_in_screws()[case.screw], stocked_lengths_mm=LENGTHS_MM)
            wish = Wish((screw,), exhaustive=exhaustive)
            began_s, clock_s = time.process_time(), time.perf_counter()
            found = search(bone, space, wish)
            holds = [one.criteria["governing_hold_n"] for one in found.candidates]
            told.append(
                (max(holds, default=0.0), time.process_time() - began_s, time.perf_counter() - clock_s)
            )
        (fast_n, fast_s, _), (all_n, all_s, _) = told
        ratio = fast_n / all_n if all_n else (1.0 if not fast_n else np.inf)
        rows.append((ratio, seed, fast_s, all_s, all_n))
        print(
            f"{seed:4d} {case.words:16s} {case.screw:28s} {fast_n:7.1f} / {all_n:7.1f} N = {ratio:.4f}   "
            f"{fast_s:6.2f} s, {all_s:7.2f} s",
            flush=True,
        )
    # Where nothing fits both ways there is nothing to compare.
    some = np.array([row for row in rows if row[4]])
    if not len(some):
        return
    ratios = some[:, 0]
    print(
        f"{len(some)} bones with a screw; ratio: least {ratios.min():.4f}, "
        f"1 % {np.percentile(ratios, 1):.4f}, 5 % {np.percentile(ratios, 5):.4f}, "
        f"median {np.median(ratios):.4f}, most {ratios.max():.4f}; "
        f"below {BAR_RATIO}: {(ratios < BAR_RATIO).sum()}; found by one only: {(ratios == 0).sum()}"
    )
    print(
        f"processor time: {np.median(some[:, 2]):.2f} s (most {some[:, 2].max():.2f}) against "
        f"{np.median(some[:, 3]):.2f} s (most {some[:, 3].max():.2f})"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
