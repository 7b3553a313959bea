"""The report's pages of fragments, fractures, joints, reduction: against bone.json and closed forms."""

from __future__ import annotations

import base64
import colorsys
import io
import json
import re
from dataclasses import replace
from html import unescape

import numpy as np
import pytest
from finding_cases import two_bones
from PIL import Image
from scipy.spatial.transform import Rotation
from two_slabs import two_slabs

from planner.assess import assess
from planner.vocabulary import Plan
from segmentation.case import write_case
from segmentation.vocabulary import FractureSurface, Surface
from viewer.report.drawing import written
from viewer.report.fracture_page import broken_bone, facing_side, fracture_pages, fracture_rows
from viewer.report.gap_map import (
    RAMP,
    RIM,
    UNMEASURED,
    gap_camera,
    gap_colours,
    gap_legend_svg,
    gap_map_svg,
    gap_scale,
    kinds_of,
)
from viewer.report.label_cuts import label_cuts, labels_in
from viewer.report.page import render_report
from viewer.report.reduction_page import move_words, reduction_pages
from viewer.report.scene_render import PIXELS_PER_PX
from viewer.report.section import Plane
from viewer.report.tokens import HAIR, INK_2, rgb_fraction

FRACTURES, JOINTS, REDUCTION = "Fragments and fractures", "Bones and joints", "Before and after reduction"

UPPER_POSE = np.eye(4)
UPPER_POSE[:3, :3] = Rotation.from_rotvec([0, 0, np.radians(10)]).as_matrix()
UPPER_POSE[0, 3] = 3.0


def lying(gap_mm, *, at_rim=None, normal=(0.0, 0.0, 1.0)) -> FractureSurface:
    """A flat square fracture of 10 mm around the origin; ``gap_mm`` (x, y) → gap."""
    steps = np.linspace(-5, 5, 21)
    x, y = (values.ravel() for values in np.meshgrid(steps, steps, indexing="ij"))
    corner = (np.arange(20)[:, None] * 21 + np.arange(20)).ravel()
    faces = np.concatenate(
        [
            np.column_stack([corner, corner + 21, corner + 22]),
            np.column_stack([corner, corner + 22, corner + 1]),
        ]
    )
    gaps = gap_mm(x, y)
    return FractureSurface(
        between=(1, 2),
        surface=Surface(np.column_stack([x, y, 0 * x]), faces),
        gap_mm=gaps,
        at_rim=np.zeros(len(x), bool) if at_rim is None else at_rim(x, y),
        seen=np.ones(len(x), bool),
        point_mm=np.zeros(3),
        normal=np.asarray(normal),
        normal_uncertainty_degree=1.0,
        waviness_rms_mm=0.1,
        waviness_p95_mm=0.2,
        area_mm2=100.0,
        measured_area_mm2=90.0,
        contact_area_mm2=0.0,
        contact_below_mm=0.3,
        gap_median_mm=float(np.nanmedian(gaps)),
        gap_p95_mm=float(np.nanpercentile(gaps, 95)),
        gap_largest_mm=float(np.nanmax(gaps)),
        fill_hu=45.0,
        fill_measured=False,
    )


def moved(bone):
    """The bone with its first fragment turned and shifted."""
    return replace(bone, fragments=(replace(bone.fragments[0], pose=UPPER_POSE), *bone.fragments[1:]))


def words_of(pages) -> str:
    """The words of blocks, pictures left out."""
    said = []
    for block in (block for page in pages for block in page.blocks):
        for one in (block, block.get("table", {})):
            said += [one.get("title", ""), one.get("bold", ""), one.get("words", ""), one.get("foot", "")]
            said += [" ".join(row) for row in one.get("rows", [])]
        said.append(block.get("caption", {}).get("words", ""))
    return " ".join(said)


def picture_of(svg: str) -> np.ndarray:
    """The picture inside a drawing, as fractions."""
    data = re.search(r'href="data:image/png;base64,([^"]*)"', svg)[1]
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(data)))) / 255


# --- when there is a page --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "heads"),
    [
        (lambda: replace(two_slabs(), fractures=()), []),
        (two_slabs, [FRACTURES]),
        (lambda: two_bones(find_joints=True).prepared.bone, [JOINTS]),
        (lambda: two_bones().prepared.bone, []),
        (lambda: moved(two_slabs()), [FRACTURES, REDUCTION]),
        (lambda: moved(replace(two_slabs(), fractures=())), [REDUCTION]),
    ],
)
def test_a_page_is_there_exactly_where_there_is_something_to_show(make, heads):
    bone = make()
    pages = fracture_pages(bone, assess(bone, Plan(())), "T") + reduction_pages(bone, "T")
    assert list(dict.fromkeys(page.head for page in pages)) == heads


def test_the_report_holds_them_and_the_same_bytes_each_time():
    bone = moved(two_slabs())
    first, second = (render_report(bone, assess(bone, Plan(())), title="T") for _ in range(2))
    assert first == second
    heads = [unescape(head) for head in re.findall(r"<header><b>([^<]*)</b>", first)]
    assert heads.count(FRACTURES) == heads.count(REDUCTION) == 1
    # No two definitions of one name: a browser would take the first for both.
    names = re.findall(r'\bid="([^"]*)"', first)
    assert len(names) == len(set(names))


# --- figures ---------------------------------------------------------------------------------------------


def test_the_figures_are_those_of_the_case(tmp_path):
    bone = two_slabs()
    write_case(tmp_path / "case", bone)
    (kept,) = json.loads((tmp_path / "case" / "bone.json").read_text("utf-8"))["fractures"]
    rows = dict(fracture_rows(bone.fractures[0]))
    assert rows["area"] == f"{written(kept['area_mm2'], 0)} mm²"
    assert rows["mean plane, its tilt uncertain by"] == f"±{written(kept['normal_uncertainty_degree'])}°"
    assert rows["waviness, RMS"] == f"{written(kept['waviness_rms_mm'], 2)} mm"
    assert rows["waviness, 95 % below"] == f"{written(kept['waviness_p95_mm'], 2)} mm"
    assert rows["gap, median"] == f"{written(kept['gap_median_mm'], 2)} mm"
    assert rows["gap, 95 % below"] == f"{written(kept['gap_p95_mm'], 2)} mm"
    assert rows["gap, largest"] == f"{written(kept['gap_largest_mm'], 2)} mm"
    assert rows["gap told on"] == f"{written(kept['measured_area_mm2'], 0)} mm²"
    assert rows["in contact, gap below 0.3 mm"] == f"{written(kept['contact_area_mm2'], 0)} mm²"
    assert rows["in the gap"] == f"{written(kept['fill_hu'], 0)} HU, assumed"
    assert not kept["fill_measured"]
    said = words_of(fracture_pages(bone, assess(bone, Plan(())), "T"))
    assert "Between fragment 1 and fragment 2" in said
    assert f"gap, median {rows['gap, median']}" in said


def test_a_gap_that_was_not_measured_has_its_reason_and_no_figure():
    bone = two_slabs()
    nothing = {"gap_median_mm": None, "gap_p95_mm": None, "gap_largest_mm": None, "contact_area_mm2": None}
    none = replace(bone.fractures[0], **nothing, gap_reason="gap not measurable: as dense as bone")
    bone = replace(bone, fractures=(none,))
    pages = fracture_pages(bone, assess(bone, Plan(())), "T")
    said = words_of(pages)
    assert "Gap not measurable: as dense as bone." in said
    assert "gap, median" not in said
    assert not any(block["kind"] == "beside" for page in pages for block in page.blocks)
    assert dict(fracture_rows(none))["gap, median"] == "not measurable"


def test_the_joints_are_those_of_the_case(tmp_path):
    bone = two_bones(find_joints=True).prepared.bone
    write_case(tmp_path / "case", bone)
    kept = json.loads((tmp_path / "case" / "bone.json").read_text("utf-8"))["joints"]
    said = words_of(fracture_pages(bone, assess(bone, Plan(())), "T"))
    assert kept
    for joint in kept:
        assert joint["automatic"]
        assert f"{joint['name']} {joint['bone']} {written(joint['area_mm2'], 0)} automatic" in said
    by_hand = replace(bone, joints=(replace(bone.joints[0], automatic=False), *bone.joints[1:]))
    assert "by hand" in words_of(fracture_pages(by_hand, assess(by_hand, Plan(())), "T"))


def test_the_joints_are_seen_from_the_side_they_face():
    """The lower slab's joint faces up, the upper one's down."""
    bone = two_bones(find_joints=True).prepared.bone
    for name, side in (("upper", [0, 0, -1]), ("lower", [0, 0, 1])):
        assert facing_side(bone.joint_of(name)).tolist() == side
    assert facing_side(None).tolist() == [0, 1, 0]


# --- the gap map -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("widest_mm", [0.04, 0.3, 0.31, 0.6, 0.74, 1.2, 3.3, 12.0, 41.0])
def test_the_legend_spans_the_data(widest_mm):
    fracture = lying(lambda x, y: widest_mm * (x + 5) / 10)
    scale = gap_scale([lying(lambda x, y: 0 * x + 0.01), fracture])
    assert scale.end_mm - scale.step_mm < widest_mm <= scale.end_mm + 1e-9
    drawn = gap_legend_svg(scale, 0.3, unmeasured=True, width_px=600.0)
    ticks = [float(tick) for tick in re.findall(r">([\d.]+)</text>", drawn)]
    assert (min(ticks), max(ticks)) == pytest.approx((0.0, scale.end_mm))
    assert len(ticks) == round(scale.end_mm / scale.step_mm) + 1
    assert "not measurable" in drawn
    assert "not measurable" not in gap_legend_svg(scale, 0.3, unmeasured=False, width_px=600.0)


def test_the_legends_words_stay_inside():
    drawn = gap_legend_svg(gap_scale([]), 0.3, unmeasured=True, width_px=688.0)
    x = float(re.search(r'x="([\d.]+)"[^>]*>around contact', drawn)[1])
    # The words are about 150 px wide in this size (measured in a browser: 137).
    assert x + 150 < 688


def lightness(colour: str) -> float:
    """CIE L* of an sRGB colour (published: IEC 61966-2-1, CIE 15)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb_fraction(colour)]
    luminance = float(np.dot([0.2126, 0.7152, 0.0722], linear))
    return 116 * luminance ** (1 / 3) - 16


def test_the_ramp_is_one_hue_that_darkens_evenly():
    steps = np.diff([lightness(colour) for colour in RAMP])
    assert (steps < 0).all()
    assert np.ptp(steps) < 2.5
    hues = [360 * colorsys.rgb_to_hsv(*rgb_fraction(colour))[0] for colour in RAMP]
    assert np.ptp(hues) < 10


def test_the_map_shows_each_place_as_it_is_told():
    """Wider towards the patient's right (+x), not measurable behind (y < −3), a rim in front (y > 3)."""
    fracture = lying(lambda x, y: np.where(y < -3, np.nan, 0.6 + 0.04 * x), at_rim=lambda x, y: y > 3)
    scale = gap_scale([fracture])
    kinds = kinds_of(fracture)
    vertices = fracture.surface.vertices_mm
    assert (kinds == UNMEASURED).tolist() == (vertices[:, 1] < -3).tolist()
    assert (kinds == RIM).tolist() == (vertices[:, 1] > 3).tolist()
    camera = gap_camera(fracture, 320.0, 196.0)
    image = picture_of(gap_map_svg(fracture, scale, 320.0, 196.0))

    def around(x: float, y: float) -> np.ndarray:
        column, row = (camera.to_px([[x, y, 0]])[0] * PIXELS_PER_PX).astype(int)
        return image[row - 8 : row + 8, column - 8 : column + 8]

    for x in (-4.0, 0.0, 4.0):
        expected = gap_colours(np.array([0.6 + 0.04 * x]), scale)[0]
        assert around(x, 0.0)[8, 8, :3] == pytest.approx(expected, abs=0.01)
    # Seen against the normal, which points up: the patient's right lies at the right when front is above.
    assert camera.to_px([[4.0, 0, 0]])[0, 0] > camera.to_px([[-4.0, 0, 0]])[0, 0]
    crossed = around(0.0, -4.0)[..., :3].reshape(-1, 3)
    for ink in (HAIR, INK_2):
        assert np.abs(crossed - rgb_fraction(ink)).max(axis=1).min() < 0.05
    plain, rim = (np.ptp(around(0.0, y)[..., :3].mean(axis=2)) for y in (0.0, 4.0))
    assert rim > 3 * plain
    assert image[2, 2, 3] == 0


def test_contact_has_a_line_around_it():
    fracture = lying(lambda x, y: np.where(np.hypot(x, y) < 3, 0.1, 0.8))
    # On a long scale neither gap is as dark as ink.
    scale, camera = gap_scale([lying(lambda x, y: 0 * x + 3.0)]), gap_camera(fracture, 320.0, 196.0)
    image = picture_of(gap_map_svg(fracture, scale, 320.0, 196.0))[..., :3].mean(axis=2)
    row, start, end = (
        int(value * PIXELS_PER_PX)
        for value in (camera.to_px([[0, 0, 0]])[0, 1], *camera.to_px([[0, 0, 0], [4.5, 0, 0]])[:, 0])
    )
    along = image[row, start:end]
    dark = np.flatnonzero(along < 0.2)
    assert len(dark)
    at_mm = dark.mean() / PIXELS_PER_PX / camera.scale_px
    # Between the two rings of the grid (0.5 mm) that lie on either side of 3 mm.
    assert 2.4 < at_mm < 3.1


# --- labels ----------------------------------------------------------------------------------------------


def test_the_cuts_show_the_labels_where_they_are():
    bone = two_slabs()
    upper = max(bone.fragments, key=lambda one: one.surface.vertices_mm[:, 2].mean()).number
    plane = Plane(np.zeros(3), np.array([-1.0, 0, 0]), np.array([0.0, 0, 1.0]))
    seen = labels_in(bone, plane, 12.0, 120.0)
    rows_mm = 12.0 - (np.arange(len(seen)) + 0.5) / len(seen) * 24.0
    middle = seen[:, len(seen) // 2]
    heights = bone.fragment(upper).surface.vertices_mm[:, 2]
    inside = (rows_mm > heights.min() + 0.6) & (rows_mm < heights.max() - 0.6)
    assert inside.any()
    assert (middle[inside] == upper).all()
    assert (middle[rows_mm < heights.min() - 0.6] != upper).all()


def test_every_fragment_that_is_cut_has_its_number_in_words():
    bone = two_slabs()
    cuts = {name: svg for name, _, svg in label_cuts(bone, "bone 1", np.zeros(3), 15.0, 200.0)}
    for name in ("coronal", "sagittal"):
        assert set(re.findall(r">(\d)</text>", cuts[name])) == {"1", "2"}


def test_the_bone_in_most_pieces_is_shown():
    bone = two_bones().prepared.bone
    assert broken_bone(bone, assess(bone, Plan(()))) == bone.fragments[0].bone
    third = replace(bone.fragments[1], number=3, name="third")
    three = replace(bone, fragments=(*bone.fragments, third))
    assert broken_bone(three, assess(bone, Plan(()))) == third.bone


# --- reduction -------------------------------------------------------------------------------------------


def test_a_pose_is_told_in_words():
    """Turned by 10° about the body's long axis through the origin, where the slab's middle is, and 3 mm to
    the patient's right (closed form)."""
    bone = moved(two_slabs())
    first = bone.fragments[0]
    vertices = first.surface.vertices_mm - first.surface.vertices_mm.mean(axis=0)
    centred = replace(first, surface=Surface(vertices, first.surface.faces))
    said = move_words(centred)
    assert "turned by 10.0°, against the clock as seen from above," in said
    assert said.endswith("shifted by 3.0 mm (right).")
    back = replace(centred, pose=np.linalg.inv(UPPER_POSE))
    assert "10.0°, against the clock as seen from below," in move_words(back)
    only = np.eye(4)
    only[2, 3] = -2.0
    straight = move_words(replace(centred, pose=only))
    assert straight.endswith("was turned by 0.0° and its middle shifted by 2.0 mm (down).")


def test_before_and_after_are_to_one_scale():
    (page,) = reduction_pages(moved(two_slabs()), "T")
    drawings = [block["svg"] for block in page.blocks if block["kind"] == "drawing"]
    assert len(drawings) == 2
    ends = [re.findall(r'<line x1="([\d.]+)"[^>]*stroke-width="1.2"', one)[-1] for one in drawings]
    assert ends[0] == ends[1]
    assert drawings[0] != drawings[1]
