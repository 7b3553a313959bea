"""How well displaced fragments come back, over many phantoms, and how many wrong poses are believed.

    python tests/benchmarks/bench_reduction.py [fit|oblique] [RUNS]

RUNS phantoms of each of nine kinds (default 12: 108 in all, a quarter of an hour). Errors are against the
motion each was displaced by. ``fit``: pieces clear of each other; the same phantoms are also fitted at the
plain grey level, and shuffled for wrong poses. ``oblique``: the same for cuts that lean by 35°. Pieces that
run together in the scan are measured by ``bench_chain.py``. Nothing is stored.
"""

from __future__ import annotations

import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
from scipy.spatial.transform import Rotation

sys.path.insert(0, str(Path(__file__).parents[1]))

from reduction_phantoms import (
    LEVEL_HU,
    Broken,
    broken,
    fragments_of,
    moved_by,
    rough_pairs,
)

from segmentation import fracture_face
from segmentation.fracture_face import Side, fracture_side
from segmentation.local_edges import Edges, local_edges
from segmentation.recipe import segment
from segmentation.reduction import reduce_sides
from segmentation.reduction_starts import NO_PAIRS, Pairs
from segmentation.vocabulary import CTVolume, Floats, Fragment

KINDS, WAVES_MM, PAIRS_COUNTS = ("solid", "hollow", "block"), (0.8, 0.3, 0.0), (0, 1, 3)
FOREIGN_COUNT = 60
STEEP_DEGREE = 35.0


@dataclass(frozen=True, eq=False)
class Case:
    """A phantom and its two sides."""

    made: Broken
    kind: str
    seed: int
    wave_mm: float
    fixed: Side
    moving: Side
    lower: Fragment
    upper: Fragment
    seconds: float


def cases(runs_count: int, *, lean_degree: float | None = None) -> Iterator[Case]:
    for seed in range(1, runs_count + 1):
        for kind in KINDS:
            for wave_mm in WAVES_MM:
                made = broken(kind, seed, wave_mm=wave_mm, lean_degree=lean_degree)
                bone = segment(made.ct, threshold_hu=LEVEL_HU, find_joints=False)
                low, up = (bone.fragment(number) for number in fragments_of(made, bone))
                begun = time.process_time()
                fixed = fracture_side(made.ct, low.surface, up.surface)
                moving = fracture_side(made.ct, up.surface, low.surface)
                yield Case(made, kind, seed, wave_mm, fixed, moving, low, up, time.process_time() - begun)


def at_the_level(ct: CTVolume, points_mm: Floats, normals: Floats) -> Edges:
    """The edges with every place left at the plain grey level."""
    edges = local_edges(ct, points_mm, normals)
    return replace(edges, out_mm=np.where(np.isfinite(edges.out_mm), 0.0, np.nan))


def tell_errors(every: list[Case]) -> None:
    rows = defaultdict(list)
    for case in every:
        rng = np.random.default_rng(len(rows))
        for count in PAIRS_COUNTS:
            pairs = rough_pairs(case.made, count, rng) if count else NO_PAIRS
            begun = time.process_time()
            found = reduce_sides(case.fixed, case.moving, case.upper, case.lower, pairs=pairs)
            seconds = case.seconds + time.process_time() - begun
            errors = case.made.error(found.pose)
            rows[case.kind, case.wave_mm, f"{count} pairs"].append((*errors, found.accepted, seconds))
        with patch.object(fracture_face, "local_edges", at_the_level):
            ct = case.made.ct
            fixed = fracture_side(ct, case.lower.surface, case.upper.surface)
            moving = fracture_side(ct, case.upper.surface, case.lower.surface)
        found = reduce_sides(fixed, moving, case.upper, case.lower)
        rows[case.kind, case.wave_mm, "plain level"].append(
            (*case.made.error(found.pose), found.accepted, 0.0)
        )
    print("| bone | wave mm | from | runs | mm median, max | degrees median, max | accepted | CPU s, max |")
    print("|---|---|---|---|---|---|---|---|")
    for (kind, wave, start), values in sorted(rows.items()):
        mm, degree, accepted, seconds = np.array(values, float).T
        print(
            f"| {kind} | {wave} | {start} | {len(mm)} | {np.median(mm):.2f}, {mm.max():.2f} | "
            f"{np.median(degree):.2f}, {degree.max():.2f} | {accepted.mean():.0%} | {seconds.max():.2f} |"
        )


def tell_wrong_poses(every: list[Case]) -> None:
    rng, told = np.random.default_rng(0), Counter[str]()

    def judged(kind: str, accepted: bool) -> None:
        told[f"{kind}: {'ACCEPTED' if accepted else 'refused'}"] += 1

    for _ in range(FOREIGN_COUNT):
        one, other = (every[index] for index in rng.choice(len(every), 2, replace=False))
        if one.seed == other.seed:
            continue  # its waves are the same, only higher
        found = reduce_sides(one.fixed, other.moving, other.upper, one.lower)
        alike = one.kind == other.kind and not one.wave_mm and not other.wave_mm
        judged("foreign, both flat, of one shape" if alike else "foreign", found.accepted)
    for case in every:
        if not case.wave_mm:
            bald = [
                replace(side, outer_mm=side.outer_mm[:0], outer_normals=side.outer_normals[:0])
                for side in (case.fixed, case.moving)
            ]
            judged("bald and flat", reduce_sides(*bald, case.upper, case.lower).accepted)
        for kind, turn_degree, slide_mm in (
            ("pairs twisted", rng.uniform(40, 180), 0.0),
            ("pairs slid", 0.0, rng.uniform(4, 9)),
        ):
            onto = case.made.face_mm[rng.choice(len(case.made.face_mm), 3, replace=False)]
            wrong = moved_by(_off(case.fixed, turn_degree, slide_mm, rng), onto)
            found = reduce_sides(
                case.fixed,
                case.moving,
                case.upper,
                case.lower,
                pairs=Pairs(moved_by(case.made.moved, onto), wrong),
            )
            if case.made.error(found.pose)[0] > 1:
                judged(f"{kind}, ends wrong", found.accepted)
            else:
                judged(f"{kind}, comes home all the same", found.accepted)
    for line, count in sorted(told.items()):
        print(f"{count:4d}  {line}")


def _off(side: Side, turn_degree: float, slide_mm: float, rng: np.random.Generator) -> Floats:
    """A turn about the face's direction and a slide across it."""
    pose, centre = np.eye(4), side.face_mm.mean(axis=0)
    pose[:3, :3] = Rotation.from_rotvec(np.radians(turn_degree) * side.looks).as_matrix()
    across = np.linalg.svd(side.looks[None])[2][1:]
    way = rng.uniform(0, 2 * np.pi)
    slid = slide_mm * (np.cos(way) * across[0] + np.sin(way) * across[1])
    pose[:3, 3] = centre - pose[:3, :3] @ centre + slid
    return pose


if __name__ == "__main__":
    mode = sys.argv[1] if len(sys.argv) > 1 else "fit"
    if mode not in ("fit", "oblique"):
        raise SystemExit(__doc__)
    made = list(
        cases(
            int(sys.argv[2]) if len(sys.argv) > 2 else 12,
            lean_degree=STEEP_DEGREE if mode == "oblique" else None,
        )
    )
    tell_errors(made)
    tell_wrong_poses(made)
