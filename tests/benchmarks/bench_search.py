"""How fast the search measures candidates, beside two other ways in the same process, in turns.

The obvious way asks ``assess`` for one candidate after another. The tests' SciPy twin measures clearance,
engagement and hold of each with ``map_coordinates``, all its points at once, on the same fields. Run it
alone: ``python tests/benchmarks/bench_search.py [LINES]``.
"""

from __future__ import annotations

import os
import platform
import statistics
import sys
import time
from dataclasses import replace
from pathlib import Path

import numba
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from phantoms import CALIBRATION, rotation
from search_phantoms import bone_of
from search_twin import twin

from planner.assess import assess_screws, ready
from planner.catalogue import built_in_screws
from planner.limits import Limits
from planner.search import Wish, search
from planner.search_finalists import placed_screw
from planner.search_lines import entries, lines_from
from planner.search_measure import Tally, measure_of
from planner.search_screws import screw_table
from planner.search_space import search_space
from planner.vocabulary import Plan

TURNS_COUNT = 5
OTHERS_COUNT = 40


def _half(sign):
    def inside(x, y, z):
        return np.minimum(7.5 - np.sqrt((x / 2) ** 2 + y**2 + z**2), sign * x - 0.3)

    return inside


def main(lines_count: int = 50_000) -> None:
    """Measure and print."""
    bone = ready(
        bone_of(
            [_half(1), _half(-1)],
            lambda x, y, z: 350 + 12 * y + 8 * z + 60 * np.sin(x),
            (15.0, 7.5, 7.5),
            turn=rotation(3),
            voxel_mm=0.4,
            fracture=(np.zeros(3), (1.0, 0, 0)),
            step_mm=0.35,
        )
    )
    space = search_space(bone.prepared, "bone")
    began = time.perf_counter()
    space = search_space(bone.prepared, "bone")
    fields_s = time.perf_counter() - began
    screw = built_in_screws()["headless-two-pitch-3.0-3.9"]
    table = screw_table([screw])
    held = measure_of(bone.prepared, space, table, Limits(), np.zeros((0, 7)), across_fracture=True)
    one = screw_table([replace(screw, stocked_lengths_mm=(24.0,))])
    free = replace(held, table=one, limits=held.limits.copy())
    free.limits[:4] = [-np.inf, -0.5, -0.5, 0.3]
    free.limits[5] = 0.1
    at = entries(bone.prepared, space, spacing_mm=1.0)
    origins, ways = lines_from(at, spacing_degree=4.0)
    chosen = np.linspace(0, len(origins) - 1, min(lines_count, len(origins))).astype(int)
    origins, ways = origins[chosen], ways[chosen]
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, {numba.get_num_threads()} threads, "
        f"load {os.getloadavg()[0]:.1f}"
    )
    print(f"fields {fields_s:.2f} s on {space.grid.shape}")
    held(origins[:100], ways[:100], Tally())
    rows = free(origins, ways, Tally(), prune=False, every=True)
    # The same work for all three: candidates that keep every limit, measured to the end.
    some = rows.taken(np.linspace(0, len(rows) - 1, 4000).astype(int))
    few = np.linspace(0, len(some) - 1, OTHERS_COUNT).astype(int)
    placed = [placed_screw(free, some, int(row)) for row in few]
    rates: dict[str, list[float]] = {
        "loop": [],
        "SciPy twin, one by one": [],
        "assess, one by one": [],
        "pruned": [],
    }
    for _ in range(TURNS_COUNT):
        began = time.perf_counter()
        free(some.entry_mm, some.direction, Tally(), prune=False, every=True)
        rates["loop"].append(len(some) / (time.perf_counter() - began))
        began = time.perf_counter()
        for row in few:
            twin(
                free,
                some.entry_mm[row],
                some.direction[row],
                0,
                float(some.seat_mm[row]),
                float(some.bone_length_mm[row]),
                CALIBRATION,
            )
        rates["SciPy twin, one by one"].append(len(few) / (time.perf_counter() - began))
        began = time.perf_counter()
        for screw_placed in placed:
            assess_screws(bone, Plan((screw_placed,)))
        rates["assess, one by one"].append(len(few) / (time.perf_counter() - began))
        tally = Tally()
        began = time.perf_counter()
        held(origins, ways, tally)
        rates["pruned"].append(tally.evaluated_count / (time.perf_counter() - began))
    for name, told in rates.items():
        ratio = statistics.median(a / b for a, b in zip(rates["loop"], told, strict=True))
        print(
            f"{name}: {statistics.median(told):,.0f} candidates/s (best {max(told):,.0f}); "
            f"the loop is {ratio:.1f} times as fast"
        )
    share = statistics.median(
        a / b for a, b in zip(rates["pruned"], rates["assess, one by one"], strict=True)
    )
    print(
        f"pruned {share:,.0f} times assess one by one; {tally.feasible_count:,} of "
        f"{tally.evaluated_count:,} feasible"
    )
    print(
        f"a million candidates pruned: {1e6 / statistics.median(rates['pruned']):.2f} s "
        f"(best {1e6 / max(rates['pruned']):.2f})"
    )
    began = time.perf_counter()
    found = search(bone, space, Wish((screw,)))
    print(f"whole search {time.perf_counter() - began:.2f} s, {found.evaluated_count:,} candidates")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
