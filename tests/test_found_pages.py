"""The pages that show how the bone was found, and its cortex: against the case, the mesh and closed forms."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from html import unescape

import numpy as np
import pytest
import trimesh
from phantoms import placed
from shell_with_cut import shell_with_cut
from two_slabs import ENTRY_MM, TARGET_MM, two_slabs

from planner.assess import assess
from planner.vocabulary import Plan
from segmentation.vocabulary import Cortex, Fragment, Place, Removed, Surface
from viewer.report.camera import Camera
from viewer.report.cortex_map import cortex_svg
from viewer.report.cortex_page import cortex_pages
from viewer.report.cortex_scale import (
    RAMP,
    CortexScale,
    Told,
    colours,
    faces_fragment,
    legend_svg,
    scale_of,
    told_of,
)
from viewer.report.figure_pages import provenance_pages
from viewer.report.found_page import found_pages, percent
from viewer.report.overlay import VIEWS, measured_of, overlays, strokes
from viewer.report.page import document, render_report
from viewer.report.section import Plane
from viewer.report.tokens import rgb_fraction
from viewer.report.view_frame import posed_fragments

CENTRE_MM = np.array([0.6, -0.4, -2.3])


def report(bone, *screws, **options) -> str:
    return render_report(bone, assess(bone, Plan(screws)), title="Shell", **options)


def bone_pages(bone, *screws) -> str:
    """The words of the report's pages on the bone alone: how it was found, and its cortex."""
    assessment = assess(bone, Plan(screws))
    pages = [
        *found_pages(bone, assessment, "Shell"),
        *cortex_pages(bone, assessment, "Shell", as_scanned=False),
    ]
    return plain(document(pages, bone, assessment, "Shell"))


def plain(html: str) -> str:
    """The words of a page, without markup and pictures."""
    html = re.sub(r'(?:href|src)="data:[^"]*"', "", html)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", " ", html)))


@pytest.fixture(scope="module")
def shell_words() -> str:
    return plain(report(shell_with_cut(), made_on=date(2026, 3, 9)))


def figures(said: str, name: str) -> list[str]:
    """What stands behind a fragment's name in each table."""
    return [found.split("fragment")[0] for found in re.findall(rf"{name} ((?:(?!fragment).)*)", said)]


# --- words -----------------------------------------------------------------------------------------------


def test_the_page_tells_level_blur_noise_and_shares(shell_words):
    bone = shell_with_cut()
    kept = bone.segmentation.record
    fwhm = 2 * np.sqrt(2 * np.log(2)) * kept.blur.point_spread.sigma_xy_mm
    assert f"Bone begins at {bone.segmentation.threshold_hu:.0f} HU." in shell_words
    assert bone.segmentation.threshold_reason in shell_words
    assert f"blur in the slice {fwhm:.2f} mm, from the bone" in shell_words
    assert f"{kept.blur.noise_hu:.1f} HU, in muscle" in shell_words
    assert "checked on skin and air no such edge in the scan" in shell_words
    for fragment in bone.fragments:
        place, known = fragment.cortex.place, fragment.cortex.thickness_known
        shares = [percent(float(np.mean(place == number))) for number in Place]
        row = f"{fragment.name} {len(place)} {' '.join(shares)} {percent(float(known.mean()))}"
        assert row in shell_words
    assert not re.search(r"\bnan\b", shell_words, re.IGNORECASE)


def test_a_share_is_never_rounded_to_none_or_all():
    assert [percent(x) for x in (0.0, 1e-6, 0.5, 1 - 1e-6, 1.0)] == [
        *("0 %", "under 1 %", "50 %"),
        *("over 99 %", "100 %"),
    ]


def test_what_is_not_known_has_no_figure(shell_words):
    assert "thin, not measured: below" in shell_words
    assert "not measured" in shell_words
    bone = shell_with_cut()
    unknown = replace_cortex(bone, thickness_known=lambda c: np.zeros_like(c.thickness_known))
    said = bone_pages(unknown)
    for fragment in unknown.fragments:
        row = re.search(rf"{fragment.name} 0 % (below [\d.]+|not measured)", said)
        assert row, said
        told = told_of(unknown, fragment).bound_mm
        if row[1] != "not measured":
            limit = float(row[1].removeprefix("below "))
            assert limit == pytest.approx(np.nanpercentile(told, 95), abs=0.05)


def replace_cortex(bone, **changed):
    """The bone with some columns of every cortex made anew."""
    fragments = tuple(
        replace(f, cortex=replace(f.cortex, **{name: make(f.cortex) for name, make in changed.items()}))
        for f in bone.fragments
    )
    return replace(bone, fragments=fragments)


def test_mass_is_told_in_mg_per_cm2_with_a_line_and_in_hu_without(shell_words):
    """1 HU·mm is slope mg/cm³ · 0.1 cm (closed form)."""
    bone = shell_with_cut()
    fragment = bone.fragments[1]
    mass = told_of(bone, fragment).mass_hu_mm
    median = np.nanmedian(mass) * bone.calibration.slope_mg_cm3_per_hu / 10
    assert re.search(
        rf"{fragment.name} .*? {median:.0f} \d+ to \d+", shell_words.split("Fragment by fragment")[1]
    )
    without = bone_pages(replace(bone, calibration=None, calibration_reason="none"))
    assert "HU·mm" in without
    assert re.search(rf" {np.nanmedian(mass):.0f} \d+ to \d+", without.split("Fragment by fragment")[1])


def test_a_plain_level_and_an_older_case_say_what_is_not_kept():
    said = bone_pages(two_slabs(), placed(ENTRY_MM, TARGET_MM))
    assert "The surface is that level itself" in said
    assert "not measured: a plain level" in said
    assert "Fragment by fragment" not in said
    bone = shell_with_cut()
    old = replace_cortex(bone, place=lambda _: None)
    old = replace(old, segmentation=replace(bone.segmentation, record=None))
    said = bone_pages(old)
    assert "not kept" in said
    assert "Which points of the line were measured was not kept in this case." in said
    assert "Fragment by fragment" in said


def test_what_was_left_out_is_counted_by_kind():
    bone = two_slabs()
    places = np.eye(3) * 10
    removed = tuple(Removed("speck", volume, at) for volume, at in zip((3.0, 9.5, 1.0), places, strict=True))
    taken = replace(bone.segmentation, removed=(*removed, Removed("metal", 40.0, np.zeros(3))))
    said = bone_pages(replace(bone, segmentation=taken))
    assert "metal 1 40.0 0, 0, 0 speck 3 13.5 0, 10, 0" in said


def test_the_day_and_the_side_stand_there_only_if_they_are_given(shell_words):
    assert "report made 2026-03-09" in shell_words
    without = plain(report(two_slabs()))
    assert "report made" not in without
    assert " side " not in without
    bone = two_slabs()
    left = replace(bone, fragments=tuple(replace(f, bone="left scaphoid") for f in bone.fragments))
    assessment = assess(left, Plan(()))
    pages = provenance_pages(left, assessment, "Shell", None)
    assert "side left, as the names in the case say" in plain(document(pages, left, assessment, "Shell"))


# --- the surface over the CT -----------------------------------------------------------------------------


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view[0])
def test_the_line_is_the_plane_section_of_the_mesh(view):
    """Against trimesh's section: every point within 0.01 mm of it, and as long."""
    _, _, right, up, _ = view
    plane = Plane(CENTRE_MM, right, up)
    met = 0
    for fragment in shell_with_cut().fragments:
        drawn = list(strokes(plane, fragment, measured_of(fragment)))
        mesh = trimesh.Trimesh(fragment.surface.vertices_mm, fragment.surface.faces, process=False)
        lines = trimesh.intersections.mesh_plane(mesh, plane.normal, CENTRE_MM)
        assert (len(lines) > 0) == bool(drawn)
        if not drawn:
            continue
        met += len(lines)
        ends = (lines.reshape(-1, 3) - CENTRE_MM) @ np.column_stack([right, up])
        begin, along = ends[::2], ends[1::2] - ends[::2]
        points = np.concatenate([stroke.points_mm for stroke in drawn])
        away = np.linalg.norm(points[:, None] - _nearest(points, begin, along), axis=2).min(axis=1)
        assert away.max() < 0.01
        length = sum(np.linalg.norm(np.diff(stroke.points_mm, axis=0), axis=1).sum() for stroke in drawn)
        assert length == pytest.approx(np.linalg.norm(along, axis=1).sum(), rel=1e-6)
    assert met > 100


def _nearest(points, begin, along):
    """(n, m, 2) the point of each of m lines nearest to each of n points."""
    squared = np.maximum((along**2).sum(1), 1e-18)
    share = np.clip(((points[:, None] - begin) * along).sum(2) / squared, 0, 1)
    return begin + share[..., None] * along


def test_the_line_is_broken_where_a_vertex_was_not_measured():
    """A coronal plane through the cut at z = −4: the stretch on the cut is broken, that on the shell full."""
    fragment = shell_with_cut().fragments[0]
    plane = Plane(np.array([0.0, 0.3, -4.0]), -np.eye(3)[0], np.eye(3)[2])
    drawn = list(strokes(plane, fragment, measured_of(fragment)))
    assert {stroke.measured for stroke in drawn} == {True, False}
    for stroke in drawn:
        on_cut = (np.abs(stroke.points_mm[:, 1]) < 0.05) & (np.abs(stroke.points_mm[:, 0]) < 5)
        if stroke.measured:
            assert on_cut.mean() < 0.1
    broken = np.concatenate([stroke.points_mm for stroke in drawn if not stroke.measured])
    assert ((np.abs(broken[:, 1]) < 0.05) & (np.abs(broken[:, 0]) < 5)).sum() > 10


def test_each_cut_has_its_letters_scale_and_broken_line():
    bone = shell_with_cut()
    drawn = overlays(bone, bone.fragments[0].bone, CENTRE_MM, 12.0, 200.0)
    assert [name for name, _, _ in drawn] == ["axial", "coronal", "sagittal"]
    letters = {"axial": "RLAP", "coronal": "RLSI", "sagittal": "APSI"}
    for name, _, svg in drawn:
        assert "".join(re.findall(r">([RLAPSI])</text>", svg)) == letters[name]
        assert ">10 mm</text>" in svg
    assert "stroke-dasharray" in drawn[1][2]
    # 10 mm of 24 mm on 200 px (closed form).
    left, right = re.search(r'x1="([\d.]+)" y1="193.0" x2="([\d.]+)"', drawn[0][2]).groups()
    assert float(right) - float(left) == pytest.approx(200 * 10 / 24, abs=0.11)


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view[0])
def test_letters_stand_at_the_ends_of_the_body(view):
    """RAS+: right, front and up are the positive axes (published: NIfTI-1)."""
    _, _, right, up, letters = view
    axes = dict(zip("RLAPSI", [*np.repeat(np.eye(3), 2, axis=0) * np.tile([[1], [-1]], (3, 1))], strict=True))
    for letter, way in zip(letters, (-right, right, up, -up), strict=True):
        assert axes[letter] @ way == 1


# --- the cortex map --------------------------------------------------------------------------------------


def lightness(colour: str) -> float:
    """CIE 1976 L* of an sRGB colour (published: IEC 61966-2-1; CIE 15)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb_fraction(colour)]
    y = np.dot([0.2126, 0.7152, 0.0722], linear)
    return float(116 * np.cbrt(y) - 16)


def test_the_scale_grows_evenly_lighter():
    steps = np.diff([lightness(colour) for colour in RAMP])
    assert steps == pytest.approx(np.full(len(RAMP) - 1, 70 / 8), abs=0.6)


def test_colours_are_the_scales():
    scale = CortexScale(4.0, None)
    for thickness, stop in ((0.0, 0), (2.0, 4), (4.0, 8), (9.0, 8)):
        assert colours(np.array([thickness]), scale)[0] == pytest.approx(rgb_fraction(RAMP[stop]))


def test_whatever_is_called_thin_is_below_the_printed_limit():
    bone = shell_with_cut()
    told = [told_of(bone, fragment) for fragment in bone.fragments]
    scale = scale_of(told)
    assert scale.thin_mm == round(scale.thin_mm, 1)
    for one, fragment in zip(told, bone.fragments, strict=True):
        thin, cortex = scale.thin(one), fragment.cortex
        bound = cortex.thickness_mm + 2 * cortex.thickness_sd_mm
        assert thin.any()
        assert (bound[thin] <= scale.thin_mm).all()
        assert not (thin & cortex.thickness_known).any()
        three = np.stack([np.isfinite(one.thickness_mm), thin, scale.unmeasured(one)])
        assert (three.sum(axis=0) == 1).all()


def test_thin_places_of_the_shell_are_truly_below_their_bound():
    """The phantom's shell is 1.2 + 0.8·x/r mm thick (closed form)."""
    bone = shell_with_cut()
    outside = held = 0
    for fragment in bone.fragments:
        bound = told_of(bone, fragment).bound_mm
        at = np.isfinite(bound)
        points = fragment.surface.vertices_mm[at]
        true = 1.2 + 0.8 * points[:, 0] / np.linalg.norm(points, axis=1)
        outside += (true > bound[at]).sum()
        held += at.sum()
    assert held > 300
    assert outside / held < 0.02


def test_the_legend_names_what_is_not_known_only_where_there_is_such():
    everything = Told(np.full(5, 1.5), np.full(5, np.nan), np.full(5, 900.0))
    bounded = Told(np.array([1.5, np.nan]), np.array([np.nan, 0.8]), np.array([900.0, 400.0]))
    nothing = Told(np.array([1.5, np.nan]), np.full(2, np.nan), np.full(2, np.nan))
    for told, thin, unmeasured in (
        (everything, False, False),
        (bounded, True, False),
        (nothing, False, True),
    ):
        scale = scale_of([told])
        svg = legend_svg(scale, unmeasured=bool(scale.unmeasured(told).any()), width_px=600)
        assert ("thin, not measured: below 0.8 mm" in svg) == thin
        assert (">not measured<" in svg) == unmeasured


def test_the_face_of_a_fracture_is_not_told():
    """Two slabs face each other across 1.2 mm: of each just the face between them looks at the other."""
    bone = two_slabs()
    for fragment in bone.fragments:
        vertices = fragment.surface.vertices_mm
        found = faces_fragment(bone, fragment)
        below = vertices[:, 2].mean() < 0
        gap_mm = vertices[:, 2].max() if below else vertices[:, 2].min()
        inner = np.abs(vertices[:, :2]).max(axis=1) < 8
        assert found[inner & (np.abs(vertices[:, 2] - gap_mm) < 0.3)].all()
        assert not found[np.abs(vertices[:, 2] - gap_mm) > 1.5].any()
    alone = replace(bone, fragments=tuple(replace(f, bone=f.name) for f in bone.fragments))
    assert not faces_fragment(alone, alone.fragments[0]).any()


def test_a_map_shows_the_colour_where_known_and_hatch_where_not():
    """A plate seen square on: one half 2 mm thick, of the other half nothing is known."""
    x, y = np.meshgrid(np.linspace(-10, 10, 41), np.linspace(-10, 10, 41), indexing="ij")
    vertices = np.column_stack([x.ravel(), np.zeros(x.size), y.ravel()])
    corner = (np.arange(40)[:, None] * 41 + np.arange(40)).ravel()
    faces = np.vstack(
        [
            np.column_stack([corner, corner + 1, corner + 42]),
            np.column_stack([corner, corner + 42, corner + 41]),
        ]
    ).astype(np.int32)
    left = vertices[:, 0] < 0
    count = len(vertices)
    cortex = Cortex(
        *(np.full(count, 0.1), np.where(left, 2.0, np.nan), np.full(count, 0.05), left),
        *(np.full(count, 900.0), np.full(count, 1500.0), np.where(left, 0, 2).astype(np.uint8)),
    )
    fragment = Fragment(1, "plate", "plate", 1.0, Surface(vertices, faces), cortex=cortex)
    bone = replace(shell_with_cut(), fragments=(fragment,))
    camera = Camera(np.zeros(3), np.array([1.0, 0, 0]), np.array([0.0, 0, 1]), 5.0, 200.0, 160.0)
    posed = posed_fragments(bone, as_scanned=True)[0]
    svg = cortex_svg([(posed, told_of(bone, fragment))], [], CortexScale(4.0, None), camera)
    picture = decoded(svg)
    known, unknown = picture[120:200, 110:180], picture[120:200, 220:290]
    expected = np.array(rgb_fraction(RAMP[4])) * 255
    # Shaded evenly, as the plate is flat: the ratios of the channels are the scale's.
    assert known.mean((0, 1)) / known.mean() == pytest.approx(expected / expected.mean(), abs=0.03)
    assert known.std(axis=(0, 1)).max() < 4
    assert unknown.std(axis=(0, 1)).min() > 20
    # Grey: no hue of the scale.
    assert np.ptp(unknown.mean((0, 1))) < 12


def decoded(svg: str) -> np.ndarray:
    import base64
    import io

    from PIL import Image

    data = re.search(r"data:image/jpeg;base64,([^\"]+)", svg)[1]
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(data))), float)
