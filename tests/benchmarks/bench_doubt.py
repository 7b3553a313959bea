"""How long 2,000 draws of one screw take, on a demo scaphoid and a demo malleolus.

Run from the checkout's root: python tests/benchmarks/bench_doubt.py [voxel_mm]
"""

from __future__ import annotations

import sys
import time

from demo_volumes.make import make_demo
from planner.assess import assess_screws, ready
from planner.catalogue import built_in_screws
from planner.doubt import doubt_of
from planner.doubt_vocabulary import AskedDoubt
from planner.limits import Limits
from planner.path import trace
from planner.plan_file import plan_of
from segmentation.calibration import parse_calibration
from segmentation.recipe import segment

REPEATS_COUNT = 7


def main(voxel_mm: float) -> None:
    """Print the quickest of some repeats, in wall and in processor time, for each way of placing."""
    for name in ("scaphoid-waist", "malleolus-oblique"):
        demo = make_demo(name, voxel_mm=voxel_mm)
        bone = segment(demo.ct, calibration=parse_calibration("0.77,0"))
        prepared, plan = ready(bone), plan_of(demo.plan, built_in_screws())
        result = assess_screws(prepared, plan).screws[0]
        path = trace(prepared.prepared, result.placed)
        for placement in ("freehand", "guided"):
            took_s, worked_s = [], []
            for _ in range(REPEATS_COUNT):
                began_s, began_work_s = time.perf_counter(), time.process_time()
                doubt_of(prepared, path, result, AskedDoubt(placement), Limits())
                took_s.append(time.perf_counter() - began_s)
                worked_s.append(time.process_time() - began_work_s)
            print(
                f"{name}, {len(bone.fragments)} fragments, {placement}: {min(took_s):.2f} s, "
                f"{min(worked_s):.2f} s of processor"
            )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 0.6)
