"""Drawings of screws: to scale, within a terminal's width, well-formed, and showing what a screw is."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from planner.catalogue import built_in_screws
from planner.solid import solid_of
from viewer.report.drawing import PX_PER_MM
from viewer.screw_drawing import svg_drawing, text_drawing

SCREWS = built_in_screws()
SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize("name", SCREWS)
def test_every_screw_fits_a_terminal_at_both_ends_of_its_lengths(name: str):
    screw = SCREWS[name]
    for length_mm in (screw.stocked_lengths_mm[0], screw.stocked_lengths_mm[-1]):
        lines = text_drawing(solid_of(screw, length_mm)).splitlines()
        assert max(map(len, lines)) <= 100
        assert lines[-1].endswith(" mm")
        assert set("".join(lines[:-2])) <= set(" ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█")


def test_text_is_to_scale():
    """A column per 0.25 mm or more, a row two columns high: the 6 mm head of a 10 mm screw is 12 rows of 0.5
    mm."""
    lines = text_drawing(solid_of(SCREWS["iso5835-ha-3.5"], 10)).splitlines()
    screw, marks, numbers = lines[:-2], lines[-2], lines[-1]
    assert len(screw) == 12
    assert max(map(len, screw)) == pytest.approx((10 + 2.6) / 0.25, abs=1)
    assert [at for at, mark in enumerate(marks) if mark == "│"] == [round(z / 0.25) for z in (2.6, 7.6, 12.6)]
    assert numbers.split() == ["0", "5", "10", "mm"]


def test_teeth_stand_apart_one_a_pitch():
    """HA 3.5 at 24 mm: teeth in the row at the major radius, about one each 1.25 mm along its thread."""
    lines = text_drawing(solid_of(SCREWS["iso5835-ha-3.5"], 24)).splitlines()
    teeth_row = max(lines[:-2], key=lambda line: len(re.findall(r"\S+", line)))
    assert len(re.findall(r"\S+", teeth_row)) == pytest.approx(20.5 / 1.25, abs=2)


@pytest.mark.parametrize("name", SCREWS)
def test_svg_is_well_formed_and_as_long_as_its_scale_says(name: str):
    screw = SCREWS[name]
    for length_mm in (screw.stocked_lengths_mm[0], screw.stocked_lengths_mm[-1]):
        solid = solid_of(screw, length_mm)
        root = ElementTree.fromstring(svg_drawing(screw, length_mm))
        words = [element.text or "" for element in root.iter(f"{SVG}text")]
        scale = int(re.search(r"Scale (\d+):1", words[-1])[1])
        axis = next(line for line in root.iter(f"{SVG}line") if "stroke-dasharray" in line.attrib)
        drawn_mm = (float(root.get("width")) - 2 * 34) / PX_PER_MM / scale
        assert drawn_mm == pytest.approx(solid.tip_mm - solid.top_mm, abs=0.05)
        assert float(axis.get("x2")) < float(root.get("width"))
        assert f"{length_mm:g}" in words
        for zone in solid.zones:
            assert any(f"Ø{zone.thread.major_mm:g} / {zone.thread.core_mm:g}" in word for word in words)


def test_a_bore_is_drawn_and_named():
    """Cut half of the cannulated screw: its body's lowest edge lies one bore radius above the axis."""
    screw = SCREWS["cannulated-7.0-16"]
    root = ElementTree.fromstring(svg_drawing(screw, 60))
    axis = next(line for line in root.iter(f"{SVG}line") if "stroke-dasharray" in line.attrib)
    cut = next(path for path in root.iter(f"{SVG}path") if path.get("fill") == "url(#cut)")
    numbers = [float(n) for n in re.findall(r"[\d.]+", cut.get("d"))]
    assert float(axis.get("y1")) - max(numbers[1::2]) == pytest.approx(1.1 * 2 * PX_PER_MM, abs=0.11)
    assert any("bore Ø2.2" in (element.text or "") for element in root.iter(f"{SVG}text"))


def test_a_name_cannot_become_markup():
    screw = replace(SCREWS["iso5835-ha-3.5"], name="<script>&", title='"><b>')
    root = ElementTree.fromstring(svg_drawing(screw, 24))
    assert {element.tag.removeprefix(SVG) for element in root.iter()} <= {
        *("svg", "g", "rect", "defs", "pattern", "path", "line", "text")
    }
