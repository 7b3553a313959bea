"""How well touching bones and fragments are told apart, on phantoms whose parting is known.

``python tests/benchmarks/bench_apart.py [table] [mixed] [found] [speed]`` runs the parts named, or all: the
table of shapes, gaps and scans with one random click a part; 150 mixed runs in which a bad cut must not pass
as good; 50 random clusters without any click; and the time for a wrist-like crop of 200³ voxels.
"""

from __future__ import annotations

import os
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

# The phantoms are the tests'; the packages those of this checkout.
sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
# ruff: noqa: E402

from apart_phantoms import (
    SCANS,
    Phantom,
    Shape,
    ball_in_socket,
    broken_tube,
    cluster,
    cut_error_mm,
    dice,
    scanned,
)

from segmentation.apart import Apart, tell_apart
from segmentation.apart_search import find_apart
from segmentation.asked import Seed
from segmentation.bone_pieces import find_pieces

LEVEL_HU = 300.0
BAD_DICE, BAD_RMS_MM = 0.98, 0.35
"""A cut worse than either is bad: the bars of the task."""

SHAPES: dict[str, Callable[[float, int], Shape]] = {
    "4 wrist-like bones": lambda gap, seed: cluster(4, gap, seed),
    "ball in socket": lambda gap, _: ball_in_socket(gap),
    "tube, 2 fragments": lambda gap, seed: broken_tube(2, gap, seed),
    "3, cortex touching": lambda gap, seed: broken_tube(3, gap, seed, touching_mm=3.5),
    "tube, 4 fragments": lambda gap, seed: broken_tube(4, gap, seed),
}

MIXED: dict[str, tuple[Callable[[float, int], Shape], dict[str, float]]] = {
    **{name: (make, {}) for name, make in SHAPES.items()},
    "cortices touching": (lambda gap, seed: cluster(3, gap, seed, touching_mm=2.0), {}),
    "bridge of 3 to 5 mm": (lambda gap, seed: cluster(3, gap, seed, fused_mm=1.5 + seed % 3 / 2), {}),
    "half the section whole": (lambda gap, seed: broken_tube(2, gap, seed, hinge=True), {}),
    "thin cortex": (lambda gap, seed: cluster(3, gap, seed), {"cortex_mm": 0.6}),
    "fatty marrow, bones": (lambda gap, seed: cluster(3, gap, seed), {"cancellous_hu": 60.0}),
    "fatty marrow, tube": (lambda gap, seed: broken_tube(2, gap, seed), {"cancellous_hu": 60.0}),
}


def clicked(phantom: Phantom) -> tuple[Seed, ...]:
    """One seed a part."""
    return tuple(Seed(f"part {n}", f"part {n}", at) for n, at in enumerate(phantom.clicks_mm, start=1))


def table() -> None:
    """Dice, RMS and 95th percentile, share seen, verdict."""
    for name, make in SHAPES.items():
        for kind in SCANS:
            cells = []
            for gap in (0.5, 0.8, 1.2, 2.0):
                seed = int(gap * 10) + 1000
                phantom = scanned(make(gap, seed), SCANS[kind], seed)
                apart = tell_apart(phantom.ct, LEVEL_HU, clicked(phantom))
                seen = min((pair.seen_fraction for pair in apart.pairs), default=1.0)
                rms, p95 = cut_error_mm(apart.labels, phantom)
                told = "" if apart.good else " refused"
                cells.append(
                    f"{dice(apart.labels, phantom.parts):.3f} {rms:.2f}/{p95:.2f} [{seen:.2f}]{told}"
                )
            print(f"| {name}; {kind} | " + " | ".join(cells) + " |", flush=True)


def mixed(count: int = 150, first: int = 5000) -> None:
    """What passed as good and what was refused, against the truth."""
    outcome: Counter[str] = Counter()
    rng = np.random.default_rng(first)
    names = list(MIXED)
    for run in range(count):
        name = names[run % len(names)]
        make, options = MIXED[name]
        gap = float(rng.choice([0.0, 0.3, 0.5, 0.8, 1.2, 2.0]))
        kind = str(rng.choice(["A", "B", "C"], p=[0.45, 0.35, 0.2]))
        phantom = scanned(make(gap, first + run), SCANS[kind], first + run, **options)
        apart = tell_apart(phantom.ct, LEVEL_HU, clicked(phantom))
        overlap, (rms, _) = dice(apart.labels, phantom.parts), cut_error_mm(apart.labels, phantom)
        good = overlap >= BAD_DICE and rms <= BAD_RMS_MM
        told = any(pair.sentence for pair in apart.pairs)
        verdict = "refused" if not apart.good else "passed, doubt told" if told else "passed in silence"
        outcome[f"{'good' if good else 'bad'} {verdict}"] += 1
        if good != apart.good:
            why = [(round(p.seen_fraction, 2), p.guess_wide_mm, p.reason) for p in apart.pairs if p.reason]
            print(
                f"  {name}, gap {gap}, {kind}, seed {first + run}: {overlap:.3f} {rms:.2f} {why}", flush=True
            )
    print(f"{count} mixed runs: {dict(outcome)}", flush=True)


def found(count: int = 50, first: int = 7000) -> None:
    """Clusters told apart without a click."""
    right, said = 0, 0
    rng = np.random.default_rng(first)
    for run in range(count):
        bones, gap = int(rng.integers(3, 7)), float(rng.choice([0.8, 1.0, 1.5, 2.0]))
        kind = str(rng.choice(["A", "B"]))
        phantom = scanned(cluster(bones, gap, first + run), SCANS[kind], first + run)
        apart = find_apart(phantom.ct, LEVEL_HU)
        overlap = dice(matched(apart, phantom), phantom.parts)
        fine = len(apart.names) == bones and overlap >= 0.99
        right += fine
        said += not fine and bool(apart.notes)
        if not fine:
            print(
                f"  {bones} bones, gap {gap}, {kind}, seed {first + run}: {len(apart.names)}, {overlap:.3f}"
            )
            print(f"    {apart.notes}", flush=True)
    print(f"{count} clusters without a click: {right} right, {said} wrong and said so", flush=True)


def matched(apart: Apart, phantom: Phantom) -> np.ndarray:
    """The labels numbered as the truth's, each by the part it holds most of."""
    number = np.zeros(len(apart.names) + 1, np.uint8)
    for label in range(1, len(number)):
        number[label] = np.bincount(phantom.parts[apart.labels == label], minlength=2)[1:].argmax() + 1
    return number[apart.labels]


def speed() -> None:
    """200³ voxels of 0.4 mm, ten bones: one piece at gaps of 0.5 mm, ten pieces at 1 mm."""
    for gap in (0.5, 1.0):
        shape = cluster(10, gap, 11, apart_mm=20.0)
        phantom = scanned(Shape(shape.parts, 40.0 - 0.2 - 3.0, shape.off_mid), SCANS["A"], 11)
        pieces = find_pieces(phantom.ct)
        rng = np.random.default_rng(11)
        seeds = clicked(phantom)
        more = [Seed(seed.name, seed.bone, seed.point_mm + rng.normal(0, 1.5, 3)) for seed in seeds]
        took_s = []
        # One bone after the other, then a second point in each; the first of all compiles nothing anew.
        tell_apart(phantom.ct, LEVEL_HU, seeds[:1])
        asked: list[Seed] = []
        for seed in (*seeds, *more):
            asked.append(seed)
            began = time.perf_counter()
            pieces.touching.taken_apart(asked, lambda _step: None)
            took_s.append(time.perf_counter() - began)
        began = time.perf_counter()
        apart = find_apart(phantom.ct, LEVEL_HU)
        found_s = time.perf_counter() - began
        print(
            f"gap {gap}: {phantom.ct.hu.shape}, {len(pieces.pieces)} pieces, load {os.getloadavg()[0]:.1f}:"
            f" first click {took_s[0]:.2f} s; clicks on further bones {np.median(took_s[1:10]):.2f}"
            f" (most {max(took_s[1:10]):.2f}) s; second points {np.median(took_s[10:]):.2f}"
            f" (most {max(took_s[10:]):.2f}) s; all of it without a click {found_s:.1f} s"
            f" ({len(apart.names)} bones)",
            flush=True,
        )


if __name__ == "__main__":
    parts = {"table": table, "mixed": mixed, "found": found, "speed": speed}
    for part in sys.argv[1:] or parts:
        parts[part]()
