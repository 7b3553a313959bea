"""Whether a fitted pose may be believed: eight questions, each with its limit and its sentence.

Faces must cover each other both ways, lie on each other, and agree in their relief; the outer cortex must go
on across the fracture, without a step and, where flat faces tell nothing, without a bend; the pairs must hold
the pose firmly; a pose begun beside it must come back; and no other pose may fit as well. A small residual
alone proves nothing: a flat cut that slid by 6 mm has one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from segmentation.rigid_fit import (
    ALIKE_COSINE_FACTOR,
    MAD_FACTOR,
    OPPOSED_COSINE_FACTOR,
    OUTER_REACH_MM,
    TUKEY_FACTOR,
    Points,
    carried,
    normal_matrix,
    settled,
    turned,
)
from segmentation.vocabulary import Floats

Mask = npt.NDArray[np.bool_]

COVERED_MM = 1.0
"""A point of one face is covered by the other when it lies so near. Our choice: the largest local error of a
surface at 0.5 mm voxels."""

PAIRED_MM = 2.0
"""Residual and relief are taken over points that have an opposite so near. Our choice."""

LEAST_OVERLAP_FRACTION, MOST_RESIDUAL_MM, MOST_SPREAD_MM = 0.7, 0.3, 0.5
"""Limits from a study on phantoms: right poses had 0.8 to 1, 0.10 to 0.23 mm, and at most 0.08 mm."""

MOST_STEP_MM = 0.4
"""Largest deviation of the outer cortex from going on straight. From phantoms: right poses had 0.03 to 0.1
mm, 0.3 where the cut leaves through the bone's end."""

MOST_BEND_DEGREE, BEND_STEPS_COUNT, LEAST_SIGMA_FACTOR = 3.0, 8, 0.02
"""Largest bend of the outer cortex at the fracture, where the faces are flat; steps in which it settles, and
the least deviation of a direction (1°). From phantoms: right poses bent by 0.1 to 2°, flat cuts of one
outline from two bones by 4 to 47°."""

MOST_UNCERTAIN_MM, MOST_UNCERTAIN_DEGREE = 0.4, 1.2
"""A pose that may be farther off is not believed. Our choice: near the user's bars of 0.4 mm and 1° (issue
5); on phantoms right poses were told to 0.9°."""

FEWEST_STEP_COUNT = 40
"""With fewer pairs of the outer cortex its step is not known. Our choice."""

INNER_MM = 1.5
"""Relief is compared so far inside the rim, whose rounded edge all faces have. Our choice."""

RELIEF_MM, LEAST_AGREEMENT_FRACTION = 0.15, 0.3
SHAFT_RELIEF_MM, SHAFT_LEAST_AGREEMENT_FRACTION = 0.12, 0.7
"""A face rougher than this must find so much of its relief's variance in the other; the second line where the
face is cortex, whose edge has four times the contrast. Our choice: noise leaves 0.1 mm, and 0.04, on a flat
cut; faces that belong together shared 45 % and more (cortex: 90 %), foreign ones none."""

NUDGE_MM, NUDGED_MODES_COUNT = 1.5, 4
"""Restarts lie so far off, in both directions of the motions that are least determined. Our choice: as far as
a rough pick."""

RIVAL_MM, RIVAL_SCORE_FACTOR = 1.0, 0.08
"""Another resting place this far off that scores nearly as well makes the answer ambiguous. Our choice."""

RESIDUAL_WEIGHT_FACTOR, STEP_WEIGHT_FACTOR = 0.5, 0.3
"""What a mm of residual and of step costs in the score. From the study."""

SMOOTH_COUNT = 20
"""Neighbours whose heights are averaged. Our choice: a disc of 1 mm at vertices 0.4 mm apart."""

FEWEST_RELIEF_COUNT = 20
"""Fewer points tell no relief. Our choice."""

SPREAD_REACHES_MM, SPREAD_STEPS_COUNT = (3.0, 1.5, 1.0), 8
"""How restarts are let come to rest. Our choice."""


@dataclass(frozen=True)
class Fit:
    """How well a pose fits. ``step_mm`` and ``bend_degree`` are None where too little outer cortex was seen,
    ``agreement_fraction`` where the faces are too flat to tell."""

    overlap_fraction: float
    residual_mm: float
    gap_mm: float
    step_mm: float | None
    bend_degree: float | None
    relief_mm: float
    agreement_fraction: float | None
    least_agreement_fraction: float = LEAST_AGREEMENT_FRACTION

    @property
    def score_ratio(self) -> float:
        """The higher the better."""
        step = MOST_STEP_MM if self.step_mm is None else self.step_mm
        return self.overlap_fraction - RESIDUAL_WEIGHT_FACTOR * self.residual_mm - STEP_WEIGHT_FACTOR * step


def fit_of(fixed: Points, moving: Points, pose: Floats, *, all_cortex: bool = False) -> Fit:
    """How ``pose``, moving mm → fixed mm, fits; ``all_cortex``: both faces are."""
    there = Points(
        carried(pose[None], moving.face)[0],
        turned(pose[None], moving.face_normals)[0],
        carried(pose[None], moving.outer)[0],
        turned(pose[None], moving.outer_normals)[0],
        moving.narrow,
    )
    onto, heights, distance, covered = _across(fixed, there)
    _, _, _, covered_back = _across(there, fixed)
    residual = float(np.sqrt((distance**2).mean())) if len(distance) else PAIRED_MM
    step, bend = _goes_on(fixed, there)
    relief, agreement = _relief(heights, onto, SHAFT_RELIEF_MM if all_cortex else RELIEF_MM)
    return Fit(
        overlap_fraction=min(covered, covered_back),
        residual_mm=residual,
        gap_mm=float(np.median(distance)) if len(distance) else PAIRED_MM,
        step_mm=step,
        bend_degree=bend,
        relief_mm=relief,
        agreement_fraction=agreement,
        least_agreement_fraction=SHAFT_LEAST_AGREEMENT_FRACTION if all_cortex else LEAST_AGREEMENT_FRACTION,
    )


def _across(fixed: Points, there: Points) -> tuple[Floats, Floats, Floats, float]:
    """Heights of the inner face points of both sides, over a common plane, their distances, and the share of
    ``there`` that is covered."""
    away, nearest = fixed.face_tree.query(there.face, distance_upper_bound=PAIRED_MM)
    near = np.isfinite(away)
    nearest = np.where(near, nearest, 0)
    normals = fixed.face_normals[nearest]
    near &= np.einsum("ni,ni->n", normals, there.face_normals) < OPPOSED_COSINE_FACTOR
    distance = np.einsum("ni,ni->n", there.face - fixed.face[nearest], normals)
    covered = float((near & (np.abs(distance) < COVERED_MM)).sum() / max(len(near), 1))
    looks = fixed.face_normals.mean(axis=0)
    looks = looks / np.linalg.norm(looks)
    inner = near.copy()
    if len(fixed.outer):
        to_rim, _ = cKDTree(fixed.outer).query(fixed.face[nearest], distance_upper_bound=INNER_MM)
        inner &= ~np.isfinite(to_rim)
    inner = _widely_open(inner, there.narrow, None if fixed.narrow is None else fixed.narrow[nearest])
    across = np.eye(3) - np.outer(looks, looks)
    plane = there.face[inner] @ across
    lean = np.maximum(normals[inner] @ looks, 1 / 2)
    own = there.face[inner] @ looks
    # What the fixed face is high beneath the same place, along its own plane.
    other = own - distance[inner] / lean
    heights = _smoothed(plane, np.stack([other, own], axis=1))
    return _off_plane(plane, heights[:, 0]), _off_plane(plane, heights[:, 1]), distance[near], covered


def _widely_open(inner: Mask, *narrow: Mask | None) -> Mask:
    """``inner`` without what a narrow gap places roughly, if half is left to compare."""
    left = inner.copy()
    for side in narrow:
        if side is not None:
            left &= ~side
    return left if 2 * left.sum() >= inner.sum() else inner


def _smoothed(plane: Floats, heights: Floats) -> Floats:
    """Each height (n, 2) as the mean over its SMOOTH_COUNT nearest places: noise falls, waves stay."""
    if len(plane) <= SMOOTH_COUNT:
        return heights
    _, nearest = cKDTree(plane).query(plane, k=SMOOTH_COUNT)
    return np.asarray(heights[nearest].mean(axis=1))


def _off_plane(plane: Floats, height: Floats) -> Floats:
    if len(height) < FEWEST_RELIEF_COUNT:
        return np.zeros(0)
    matrix = np.column_stack([plane, np.ones(len(plane))])
    solved, *_ = np.linalg.lstsq(matrix, height)
    return np.asarray(height - matrix @ solved)


def _relief(own: Floats, other: Floats, least_mm: float) -> tuple[float, float | None]:
    """The rougher face's relief, and how much of it the two share."""
    if not len(own):
        return 0.0, None
    relief = max(float(own.std()), float(other.std()))
    if relief < least_mm:
        return relief, None
    return relief, 1 - float((own - other).var()) / relief**2


def _goes_on(fixed: Points, there: Points) -> tuple[float | None, float | None]:
    """RMS deviation of the outer cortex from going on straight across the fracture, and its bend there."""
    if not len(fixed.outer) or not len(there.outer):
        return None, None
    away, nearest = fixed.outer_tree.query(there.outer, distance_upper_bound=OUTER_REACH_MM)
    near = np.isfinite(away)
    nearest = np.where(near, nearest, 0)
    near &= np.einsum("ni,ni->n", fixed.outer_normals[nearest], there.outer_normals) > ALIKE_COSINE_FACTOR
    if near.sum() < FEWEST_STEP_COUNT:
        return None, None
    here, beyond = fixed.outer_normals[nearest][near], there.outer_normals[near]
    between = here + beyond
    between /= np.linalg.norm(between, axis=1, keepdims=True)
    distance = np.einsum("ni,ni->n", there.outer[near] - fixed.outer[nearest][near], between)
    looks = fixed.face_normals.mean(axis=0)
    bend = _turn_between(beyond, here, looks / np.linalg.norm(looks))
    return float(np.sqrt((distance**2).mean())), bend


def _turn_between(of: Floats, onto: Floats, looks: Floats) -> float:
    """The turn in degrees, but for that about ``looks``, that lays most directions onto the others'."""
    # w × n is linear in w; Tukey's weights leave out what turns otherwise.
    rows = np.cross(np.eye(3), of[:, None, :]).transpose(0, 2, 1)
    weight = np.ones(len(of))
    for _ in range(BEND_STEPS_COUNT):
        matrix = np.einsum("n,nij,nik->jk", weight, rows, rows)
        right = np.einsum("n,nij,ni->j", weight, rows, onto - of)
        turn = np.linalg.lstsq(matrix, right)[0]
        left = np.linalg.norm(onto - of - rows @ turn, axis=1)
        sigma = max(MAD_FACTOR * float(np.median(left)), LEAST_SIGMA_FACTOR)
        weight = np.clip(1 - (left / (TUKEY_FACTOR * sigma)) ** 2, 0, 1) ** 2
    return float(np.degrees(np.linalg.norm(turn - looks * (turn @ looks))))


def apart_mm(moving: Points, poses: Floats, from_pose: Floats) -> Floats:
    """(k,) RMS distance over the moving face between each pose and one."""
    there, here = carried(poses, moving.face), carried(from_pose[None], moving.face)
    return np.asarray(np.sqrt(((there - here) ** 2).sum(axis=-1).mean(axis=-1)))


def spread_mm(fixed: Points, moving: Points, pose: Floats, template: Points | None = None) -> float:
    """How far restarts beside ``pose`` come to rest from it, at most.

    They are moved along the motions that faces and cortex determine least.
    """
    matrix, centre, size_mm = normal_matrix(fixed, moving, pose, template)
    _, modes = np.linalg.eigh(matrix)
    nudged = [
        _nudged(pose, sign * mode, centre, size_mm, moving)
        for mode in modes.T[:NUDGED_MODES_COUNT]
        for sign in (-1.0, 1.0)
    ]
    rested = settled(fixed, moving, np.stack(nudged), SPREAD_REACHES_MM, SPREAD_STEPS_COUNT, template)
    return float(apart_mm(moving, rested, pose).max())


def _nudged(pose: Floats, mode: Floats, centre: Floats, size_mm: float, moving: Points) -> Floats:
    """``pose`` moved along ``mode`` (turn, shift) by NUDGE_MM over the face."""

    def at(share_ratio: float) -> Floats:
        result = pose.copy()
        turn = Rotation.from_rotvec(share_ratio * mode[:3] / size_mm).as_matrix()
        result[:3, :3] = turn @ pose[:3, :3]
        result[:3, 3] = turn @ (pose[:3, 3] - centre) + centre + share_ratio * mode[3:]
        return result

    way = float(apart_mm(moving, at(1.0)[None], pose)[0])
    return at(NUDGE_MM / max(way, np.finfo(float).tiny))


def reasons_against(
    fit: Fit,
    spread_mm: float,
    off: tuple[float, float],
    *,
    best_score_ratio: float,
    rival_score_ratio: float | None,
) -> tuple[str, ...]:
    """Why a fit is not to be believed, a clause each; empty where it is. ``off``: mm and degrees by which it
    may be off."""
    reasons = []
    if fit.overlap_fraction < LEAST_OVERLAP_FRACTION:
        reasons.append(
            f"the faces cover only {fit.overlap_fraction:.0%} of each other "
            f"(at least {LEAST_OVERLAP_FRACTION:.0%} is needed)"
        )
    if fit.residual_mm > MOST_RESIDUAL_MM:
        reasons.append(
            f"the faces lie {fit.residual_mm:.2f} mm off each other (at most {MOST_RESIDUAL_MM:g})"
        )
    if fit.agreement_fraction is not None and fit.agreement_fraction < fit.least_agreement_fraction:
        reasons.append(
            f"only {max(fit.agreement_fraction, 0):.0%} of one face's relief is found in the other "
            f"(at least {fit.least_agreement_fraction:.0%} is needed)"
        )
    if fit.step_mm is not None and fit.step_mm > MOST_STEP_MM:
        reasons.append(
            f"the outer cortex would have a step of {fit.step_mm:.2f} mm (at most {MOST_STEP_MM:g})"
        )
    bends = fit.bend_degree is not None and fit.bend_degree > MOST_BEND_DEGREE
    if bends and fit.agreement_fraction is None:
        reasons.append(
            f"the faces are flat and the outer cortex would bend by {fit.bend_degree:.1f}° between them "
            f"(at most {MOST_BEND_DEGREE:g}°)"
        )
    off_mm, off_degree = off
    if off_mm > MOST_UNCERTAIN_MM or off_degree > MOST_UNCERTAIN_DEGREE:
        reasons.append(
            f"the fit may be off by {off_mm:.2f} mm and {off_degree:.1f}° (at most {MOST_UNCERTAIN_MM:g} mm "
            f"and {MOST_UNCERTAIN_DEGREE:g}°)"
        )
    if fit.step_mm is None and fit.agreement_fraction is None:
        reasons.append("the faces are flat and no outer cortex is seen on both sides")
    if spread_mm > MOST_SPREAD_MM:
        reasons.append(
            f"begun {NUDGE_MM:g} mm beside, the fit ends {spread_mm:.1f} mm away "
            f"(at most {MOST_SPREAD_MM:g}): the faces do not determine it"
        )
    if rival_score_ratio is not None and rival_score_ratio > best_score_ratio - RIVAL_SCORE_FACTOR:
        reasons.append("another position fits nearly as well")
    return tuple(reasons)
