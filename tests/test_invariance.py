"""What must not change: patient and plan moved, turned or mirrored together; the scan stored another way; a
bone split in two."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from phantoms import CALIBRATION, SOFT_HU, as_ct, grid_around, placed, points_of, step
from scipy.spatial.transform import Rotation

from planner.assess import assess
from planner.vocabulary import PlacedScrew, Plan, ScrewResult
from segmentation.parts import Cut
from segmentation.recipe import segment
from segmentation.vocabulary import CTVolume, Floats, Grid

WITHIN_MM, WITHIN_FRACTION = 0.05, 0.005
GAP_MM = 1.0


def bean(points: Floats) -> Floats:
    """A lopsided bone with a cortex, a dense end and an oblique gap: HU from one formula, at any place."""
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    radius = 6.5 + 0.8 * np.sin(z / 4) + 0.5 * (x > 0) * np.tanh(x)
    inside = np.minimum(radius - np.hypot(x - 0.06 * z**2 / 3, y), 13 - np.abs(z))
    gap = np.abs(z + 0.35 * x - 0.5) / np.hypot(1, 0.35) - GAP_MM / 2
    body = step(inside, 0.8) * step(gap, 0.8)
    cortex = step(1.5 - inside, 0.8)
    return SOFT_HU + body * (330 + 12 * z + 500 * cortex - SOFT_HU)


def scan(to_own: Floats, shift_mm: Floats, voxel_mm: float = 0.4) -> CTVolume:
    """The bone scanned with patient mm = inverse(to_own)(own mm) + shift, on a grid-aligned box around it."""
    grid = grid_around((18.0, 18.0, 18.0), (voxel_mm,) * 3)
    affine = grid.affine.copy()
    affine[:3, 3] += shift_mm
    grid = Grid(grid.shape, affine)
    return as_ct(grid, bean((points_of(grid) - shift_mm) @ to_own.T), whole=False)


@cache
def straight_scan() -> CTVolume:
    return scan(np.eye(3), np.zeros(3))


def screws(from_own: Floats, shift_mm: Floats) -> tuple[PlacedScrew, ...]:
    place = lambda point: from_own @ np.asarray(point, float) + shift_mm  # noqa: E731
    headless = placed(
        place([0.4, 0.3, -13.0]),
        place([0.9, 0.1, 13.0]),
        "headless-two-pitch-3.0-3.9",
        20.0,
        seat_depth_mm=2.0,
    )
    lag = placed(place([-6.0, 0.0, -5.0]), place([5.0, 1.0, 5.0]), "iso5835-ha-2.7", 20.0, technique="lag")
    return headless, replace(lag, name="S2")


def measured(to_own: Floats, shift_mm: Floats, ct: CTVolume | None = None) -> tuple[ScrewResult, ...]:
    ct = scan(to_own, shift_mm) if ct is None else ct
    bone = segment(ct, threshold_hu=240.0, calibration=CALIBRATION)
    assert len(bone.fragments) == 2
    return assess(bone, Plan(screws(np.linalg.inv(to_own), shift_mm))).screws


def numbers(screw: ScrewResult) -> dict[str, float]:
    result = {
        "length": screw.bone_length_mm,
        "glide": screw.gliding_hole_to_mm or 0.0,
        "leading": screw.leading_end.outer or 0.0,
        "body": screw.body.outer or 0.0,
        "trailing": screw.trailing_end.outer or 0.0,
        "near cortex": screw.layers[0].to_mm,
    }
    # Which fragment is larger is not in question here: they are told apart by the order on the axis.
    for index, fragment in enumerate(screw.fragments):
        result[f"path {index}"] = fragment.axis_path_mm
        result[f"engagement {index}"] = fragment.thread_engagement_mm
        result[f"hu {index}"] = fragment.mean_hu or 0.0
        result[f"force {index}"] = fragment.pullout_n.estimate if fragment.pullout_n else 0.0
    return result


@pytest.fixture(scope="module")
def straight() -> tuple[dict[str, float], ...]:
    return tuple(numbers(screw) for screw in measured(np.eye(3), np.zeros(3), straight_scan()))


TURN = Rotation.from_rotvec([0.5, -0.35, 0.6]).as_matrix()
MIRROR = np.diag([-1.0, 1.0, 1.0])


@pytest.mark.parametrize(
    ("to_own", "shift_mm"),
    [
        pytest.param(np.eye(3), (37.13, -211.07, 1043.21), id="moved"),
        pytest.param(TURN, (-12.3, 4.5, 6.7), id="turned"),
        pytest.param(MIRROR, (3.3, 2.2, 1.1), id="mirrored"),
        pytest.param(MIRROR @ TURN, (90.0, -3.0, 17.0), id="mirrored and turned"),
    ],
)
def test_patient_and_plan_moved_together(
    straight: tuple[dict[str, float], ...], to_own: Floats, shift_mm: tuple[float, float, float]
) -> None:
    for screw, expected in zip(measured(to_own, np.asarray(shift_mm)), straight, strict=True):
        found = numbers(screw)
        assert found.keys() == expected.keys()
        for name, value in expected.items():
            within = max(WITHIN_MM, WITHIN_FRACTION * abs(value))
            assert found[name] == pytest.approx(value, abs=within), name


@pytest.mark.parametrize("flips", [(1, -1, 1), (-1, 1, 1), (-1, -1, -1)])
def test_the_scan_stored_in_another_order(
    straight: tuple[dict[str, float], ...], flips: tuple[int, int, int]
) -> None:
    ct = straight_scan()
    affine = ct.grid.affine.copy()
    hu = ct.hu[tuple(slice(None, None, flip) for flip in flips)]
    for axis, flip in enumerate(flips):
        if flip < 0:
            affine[:3, 3] += affine[:3, axis] * (ct.grid.shape[axis] - 1)
            affine[:3, axis] *= -1
    # The axes of the array turned round too: k, i, j.
    hu, affine = np.transpose(hu, (2, 0, 1)), affine[:, [2, 0, 1, 3]]
    stored = CTVolume(
        Grid((hu.shape[0], hu.shape[1], hu.shape[2]), affine), np.ascontiguousarray(hu), "stored"
    )
    for screw, expected in zip(measured(np.eye(3), np.zeros(3), stored), straight, strict=True):
        for name, value in numbers(screw).items():
            # Inside a voxel's cell the surface may be split along the other diagonal.
            assert value == pytest.approx(expected[name], abs=0.02, rel=1e-3), name


@cache
def with_cuts(*cuts: Cut) -> ScrewResult:
    """The headless screw in the bone divided further."""
    bone = segment(straight_scan(), threshold_hu=240.0, calibration=CALIBRATION, cuts=cuts)
    return assess(bone, Plan(screws(np.eye(3), np.zeros(3))[:1])).screws[0]


def test_engagements_add_up_when_a_fragment_is_split_where_nothing_changes() -> None:
    whole = with_cuts()
    normal = np.array([0.2, -0.1, 0.97])
    cut = Cut(np.array([0.5, 0.0, 6.0]), normal)
    parts = with_cuts(cut)
    assert len(parts.fragments) == len(whole.fragments) + 1
    for what in ("axis_path_mm", "thread_engagement_mm"):
        before = sum(getattr(fragment, what) for fragment in whole.fragments)
        after = sum(getattr(fragment, what) for fragment in parts.fragments)
        assert after == pytest.approx(before, abs=0.02), what
    force = [sum(f.pullout_n.estimate for f in s.fragments if f.pullout_n) for s in (whole, parts)]
    assert force[1] == pytest.approx(force[0], rel=2e-3)
    assert parts.bone_length_mm == pytest.approx(whole.bone_length_mm, abs=1e-9)
    assert parts.body.outer == pytest.approx(whole.body.outer, abs=0.05)


@pytest.mark.parametrize("beside_mm", [0.6, 1.2])
def test_engagements_add_up_when_a_fragment_is_split_along_the_screw(beside_mm: float) -> None:
    whole = with_cuts()
    far = whole.fragments[1]
    # A plane along the axis through the far fragment: part of the thread lies on either side of it. Nearer
    # than half a millimetre the voxels round the cut's edge off, and the axis loses up to 0.3 mm (limits.md).
    aside = np.cross(whole.direction, [0.0, 1.0, 0.0])
    cut = Cut(whole.entry_mm + 19.0 * whole.direction + beside_mm * aside, aside)
    parts = with_cuts(cut)
    assert len(parts.fragments) == 3
    split = [f for f in parts.fragments if f.fragment_name != whole.fragments[0].fragment_name]
    assert sum(f.thread_engagement_mm for f in split) == pytest.approx(far.thread_engagement_mm, abs=0.02)
    assert sum(f.axis_path_mm for f in split) == pytest.approx(far.axis_path_mm, abs=0.02)
    assert min(f.thread_engagement_mm for f in split) > 0.2
    # The plane that the thread runs along is no surface to come out of.
    assert not [f for f in parts.findings if f.code == "body-outside"]
    assert parts.reasons[f"fragments.{parts.fragments[2].fragment}.mean_hu"].startswith("the axis does not")
