"""How far a fitted pose may be off, from how its own pairs disagree.

Distances that are left scatter, and neighbours scatter together. Their pulls on the pose are summed patch by
patch, and the spread of these sums is carried through the normal matrix: V = N⁻¹ (Σ gᵢ gᵢᵀ) N⁻¹ (robust to
clusters: Liang and Zeger, Biometrika 73:13, 1986: from memory). What shifts all pairs alike, such as lost
bone, is not seen.
"""

from __future__ import annotations

import numpy as np

from segmentation.rigid_fit import REACHES_MM, Points, carried, normal_matrix, pairings
from segmentation.vocabulary import Floats

PATCH_MM = 3.0
"""Neighbours in a cube of this edge are taken to err together. Our choice: several grains of cancellous bone
and the disc on which a direction is taken."""

COVER_FACTOR, CLOSED_MM = 2.5, 0.08
"""So many deviations are told, and what closing onto rounded rims adds. From phantoms: docs/reduction.md says
how often errors stay within."""


def uncertainty(
    fixed: Points, moving: Points, pose: Floats, template: Points | None = None
) -> tuple[float, float]:
    """By how many mm over the face (RMS) and by how many degrees ``pose`` (4, 4) may be off.

    ``pose`` takes moving mm to fixed mm and has come to rest. Infinite where pairs are too few to tell.
    """
    normal, middle, size_mm = normal_matrix(fixed, moving, pose, template)
    scatter = np.zeros((6, 6))
    for places, directions, distance, weight in pairings(fixed, moving, pose[None], REACHES_MM[-1], template):
        arm = (places[0] - middle) / size_mm
        pulls = np.concatenate([np.cross(arm, directions[0]), directions[0]], axis=1)
        pulls *= (weight[0] * distance[0])[:, None]
        _, patch = np.unique(np.floor(places[0] / PATCH_MM).astype(np.int64), axis=0, return_inverse=True)
        sums = np.zeros((patch.max() + 1, 6))
        np.add.at(sums, patch.ravel(), pulls)
        scatter += sums.T @ sums
    if np.linalg.matrix_rank(normal) < len(normal):
        return np.inf, np.inf
    back = np.linalg.inv(normal)
    covariance = back @ scatter @ back
    arm = (carried(pose[None], moving.face)[0] - middle) / size_mm
    # A turn w moves a place by w × arm: its variance is trace of |arm|² - arm armᵀ against w's.
    turning = (arm**2).sum() / len(arm) * np.eye(3) - arm.T @ arm / len(arm)
    mean_arm = arm.mean(axis=0)
    across = np.cross(np.eye(3), mean_arm)
    variance = (
        np.trace(turning @ covariance[:3, :3])
        + np.trace(covariance[3:, 3:])
        + 2 * float((across * covariance[:3, 3:]).sum())
    )
    mm = COVER_FACTOR * np.sqrt(max(float(variance), 0.0))
    degree = COVER_FACTOR * np.degrees(np.sqrt(np.trace(covariance[:3, :3])) / size_mm)
    return float(np.hypot(mm, CLOSED_MM)), float(degree)
