"""Rods of known density in the scan: the line they give, its error, and what is refused.

The truth is a closed form: cylinders of known HU, blurred by a Gaussian, with white noise.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from phantoms import as_ct, grid_around, points_of, step
from scipy.stats import norm
from tiny_scan import PLAN, write_nifti, write_plan

from planner.density_laws import (
    HADensity,
    K2HPO4Density,
    apparent_from_ash,
    ash_from_ha,
    ha_from_k2hpo4,
    k2hpo4_from_ha,
)
from segmentation.case import read_case
from segmentation.errors import InputError
from segmentation.rod_search import found_rods
from segmentation.rods import Line, calibrate_by_rods, fitted_line
from segmentation.rods_file import Rod, read_rods, rods_of
from segmentation.vocabulary import Calibration, CTVolume, Floats
from viewer.command_line import run

SLOPE, INTERCEPT = 0.78, -6.0
DENSITIES = (0.0, 100.0, 200.0, 400.0, 800.0)
NINETY = norm.ppf(0.95)
FWHM_MM = 0.9


def hu_of(density_mg_cm3: float) -> float:
    return (density_mg_cm3 - INTERCEPT) / SLOPE


@cache
def clean(densities: tuple[float, ...] = DENSITIES, radius_mm: float = 5.0) -> tuple[Floats, object, Floats]:
    """Rods side by side in a resin bed of 70 HU above air: HU, grid, and the rods' places (n, 3)."""
    across = 8 * len(densities) + 6
    grid = grid_around((across, 16, 17), (0.8, 0.8, 1.0))
    x, y, _ = np.moveaxis(points_of(grid), -1, 0)
    hu = -1000 + 1070 * step(13 - np.abs(y), FWHM_MM) * step(across - 1.5 - np.abs(x), FWHM_MM)
    places = np.array([[16 * n - 8 * (len(densities) - 1), 0.3, 0.0] for n in range(len(densities))], float)
    for place, density in zip(places, densities, strict=True):
        inside = step(radius_mm - np.hypot(x - place[0], y - place[1]), FWHM_MM)
        hu = hu + inside * (hu_of(density) - 70)
    return hu, grid, places


def scan(seed: int, noise_hu: float = 20.0, densities: tuple[float, ...] = DENSITIES) -> CTVolume:
    hu, grid, _ = clean(densities)
    ct = as_ct(grid, hu, noise_hu=noise_hu, seed=seed)  # type: ignore[arg-type]
    # Scanners end their scale at −1024.
    return CTVolume(ct.grid, np.maximum(ct.hu, -1024), "phantom")


def placed(densities: tuple[float, ...] = DENSITIES) -> list[Rod]:
    return [Rod(place, np.array([0.0, 0.0, 1.0]), 5.0, 30.0) for place in clean(densities)[2]]


def by_rods(ct: CTVolume, rods: list[Rod] | tuple[Rod, ...], densities=DENSITIES) -> Calibration:
    return calibrate_by_rods(ct, rods, HADensity(np.array(densities) / 1000), told="HA rods")


@pytest.mark.parametrize("seed", range(5))
def test_the_line_is_recovered_within_one_per_cent(seed):
    # Issue's bar: rods of known density in a noisy phantom recovered within 1 %.
    line = by_rods(scan(seed), placed())
    read = line.density_mg_cm3([hu_of(density) for density in DENSITIES[1:]])
    assert read == pytest.approx(DENSITIES[1:], rel=0.01)
    assert line.slope_mg_cm3_per_hu == pytest.approx(SLOPE, rel=0.01)


@pytest.mark.parametrize("densities", [(0.0, 100.0, 200.0), (0.0, 200.0, 800.0), DENSITIES])
def test_the_lines_interval_covers_in_scans_of_many_seeds(densities):
    # Issue's bar: the 90 % interval covers in 80 to 97 % of the simulations. White noise of 60 HU in a voxel.
    at = np.array([50.0, 300.0, 1000.0])
    covered = []
    for seed in range(100):
        line = by_rods(scan(seed, 60.0, densities), placed(densities), densities)
        read = line.density_mg_cm3(hu_of_many(at))
        covered.append(np.abs(read - at) <= NINETY * line.line_standard_error_mg_cm3(read))
    assert (np.mean(covered, axis=0) >= 0.80).all(), np.mean(covered, axis=0)
    assert (np.mean(covered, axis=0) <= 0.97).all(), np.mean(covered, axis=0)


@pytest.mark.parametrize("count", [3, 4, 6])
@pytest.mark.parametrize("scatter_hu", [0.5, 6.0])
def test_the_lines_interval_covers_rods_that_scatter(count, scatter_hu):
    """Rods off their line for any reason, 1500 phantoms: Student's interval is exact for a normal scatter."""
    rng = np.random.default_rng(count)
    density = np.linspace(0, 600, count)
    at = np.array([0.0, 300.0, 1200.0])
    covered = []
    for _ in range(1500):
        line = fitted_line(hu_of_many(density) + rng.normal(0, scatter_hu, count), density)
        fitted = as_calibration(line)
        read = fitted.density_mg_cm3(hu_of_many(at))
        covered.append(np.abs(read - at) <= NINETY * fitted.line_standard_error_mg_cm3(read))
    assert np.mean(covered, axis=0) == pytest.approx(0.9, abs=0.03)


def as_calibration(line: Line) -> Calibration:
    """The line alone, without the part that rods cannot show."""
    return Calibration(
        "rods-in-the-scan",
        line.slope_mg_cm3_per_hu,
        line.intercept_mg_cm3,
        0.0,
        "test",
        line.slope_standard_error_mg_cm3_per_hu,
        line.intercept_standard_error_mg_cm3,
        line.correlation_ratio,
    )


def hu_of_many(density: Floats) -> Floats:
    return (np.asarray(density) - INTERCEPT) / SLOPE


def test_the_error_is_that_of_the_textbook():
    """Against numpy's own covariance of a straight-line fit (polyfit with unscaled covariance off)."""
    from scipy.stats import t

    rng = np.random.default_rng(3)
    density = np.array([0, 50, 100, 200, 300, 500.0])
    hu = hu_of_many(density) + rng.normal(0, 4, 6)
    line = fitted_line(hu, density)
    (d, c), covariance = np.polyfit(density, hu, 1, cov=True)
    factor = t.ppf(0.95, 4) / NINETY
    assert line.slope_mg_cm3_per_hu == pytest.approx(1 / d)
    assert line.intercept_mg_cm3 == pytest.approx(-c / d)
    assert line.slope_standard_error_mg_cm3_per_hu == pytest.approx(factor * np.sqrt(covariance[0, 0]) / d**2)
    # At c HU the density is 0, and there the error is that of c alone: sqrt(var c)/d.
    at_zero = as_calibration(line).line_standard_error_mg_cm3(0.0)
    assert at_zero == pytest.approx(factor * np.sqrt(covariance[1, 1]) / d)


def test_the_published_relative_part_is_added():
    line = by_rods(scan(1), placed())
    # Biomechanics, uncertainty budget: 3-5 % with a phantom.
    assert 0.03 <= line.standard_error_fraction <= 0.05
    expected = np.hypot(line.line_standard_error_mg_cm3(500.0), line.standard_error_fraction * 500)
    assert line.standard_error_mg_cm3(500.0) == pytest.approx(expected)
    assert line.standard_error_fraction_at(500.0) == pytest.approx(expected / 500)
    assert line.standard_error_fraction_at([0.0, -5.0]).tolist() == [1.0, 1.0]


@pytest.mark.parametrize("seed", range(3))
def test_rods_are_found_where_they_are(seed):
    shuffled = (200.0, 0.0, 800.0, 100.0, 400.0)
    sought = rods_of(document([{"density_mg_cm3": d, "radius_mm": 5.0} for d in shuffled]))
    found = found_rods(scan(seed), sought)
    places = dict(zip(DENSITIES, clean()[2], strict=True))
    for density, rod in zip(shuffled, found, strict=True):
        assert rod.centre_mm[:2] == pytest.approx(places[density][:2], abs=0.4)
    line = by_rods(scan(seed), found, shuffled)
    assert line.density_mg_cm3(hu_of(400)) == pytest.approx(400, rel=0.01)


def test_a_rod_like_its_bed_is_not_found_and_that_is_said():
    like_bed = 70 * SLOPE + INTERCEPT
    densities = (0.0, like_bed, 400.0)
    sought = rods_of(document([{"density_mg_cm3": d, "radius_mm": 5.0} for d in densities]))
    with pytest.raises(InputError, match=r"3 rods were sought and 2 found.*give centre_mm"):
        found_rods(scan(0, densities=densities), sought)


def test_more_rods_than_sought_are_refused():
    sought = rods_of(document([{"density_mg_cm3": d, "radius_mm": 5.0} for d in DENSITIES[:4]]))
    with pytest.raises(InputError, match="4 rods were sought and 5 found"):
        found_rods(scan(0), sought)


def test_other_radii_and_bones_are_no_rods():
    sought = rods_of(document([{"density_mg_cm3": d, "radius_mm": 8.0} for d in DENSITIES]))
    with pytest.raises(InputError, match="5 rods were sought and 0 found"):
        found_rods(scan(0), sought)
    # A tube of cortex round marrow, of the rod's radius.
    grid = grid_around((20, 20, 16), (0.8, 0.8, 2.0))
    x, y, _ = np.moveaxis(points_of(grid), -1, 0)
    r = np.hypot(x, y)
    tube = 40 + 1200 * step(5 - r, FWHM_MM) - 1150 * step(3 - r, FWHM_MM)
    with pytest.raises(InputError, match="and 0 found"):
        found_rods(
            as_ct(grid, tube),
            rods_of(document([{"density_mg_cm3": d, "radius_mm": 5.0} for d in (0.0, 200.0, 400.0)])),
        )


def test_a_slanting_rod_is_read_along_its_direction():
    densities = (0.0, 300.0, 600.0)
    grid = grid_around((34, 16, 22), (0.8, 0.8, 1.0))
    points = points_of(grid)
    direction = np.array([0.0, np.sin(0.3), np.cos(0.3)])
    hu = np.full(grid.shape, 0.0)
    rods = []
    for n, density in enumerate(densities):
        place = np.array([20.0 * (n - 1), 0.0, 0.0])
        away = np.linalg.norm(np.cross(points - place, direction), axis=-1)
        hu += (hu_of(density)) * step(5 - away, FWHM_MM)
        rods.append(Rod(place, direction, 5.0, 36.0))
    ct = as_ct(grid, hu, noise_hu=20)
    assert by_rods(ct, rods, densities).density_mg_cm3(hu_of(600)) == pytest.approx(600, rel=0.01)
    straight = [Rod(rod.centre_mm, np.array([0.0, 0.0, 1.0]), 5.0, 36.0) for rod in rods]
    with pytest.raises(InputError, match=r"not of one grey value|do not lie on a line"):
        by_rods(ct, straight, densities)


def test_k2hpo4_becomes_ha_by_the_published_ratio():
    # Published: Goodsitt 1992 Bone Miner 19:145, K = 0.86 HA at 80 kVp, 0.81 HA at 140 kVp.
    assert ha_from_k2hpo4(K2HPO4Density(np.array([0.086])), 80) == pytest.approx(0.1)
    assert ha_from_k2hpo4(K2HPO4Density(np.array([0.081])), 140) == pytest.approx(0.1)
    middle = float(ha_from_k2hpo4(K2HPO4Density(np.array([0.1])), 120)[0])
    assert 0.1 / 0.86 < middle < 0.1 / 0.81
    for voltage in (80, 140):
        there = k2hpo4_from_ha(HADensity(np.array([0.3])), voltage)
        assert ha_from_k2hpo4(there, voltage) == pytest.approx(0.3)
    for voltage in (70, 150, float("nan")):
        with pytest.raises(InputError, match="80 to 140 kV only"):
            ha_from_k2hpo4(K2HPO4Density(np.array([0.1])), voltage)


def test_the_round_trip_of_the_reference_through_a_fitted_line_is_exact():
    # Biomechanics reference §5: HU 141 at slope 0.77 is HA 108.6 mg/cm3, ash 0.1741, apparent 0.2912 g/cm3.
    density = np.array([0.0, 200.0, 800.0])
    line = fitted_line(density / 0.77, density)
    ha = 141 * line.slope_mg_cm3_per_hu + line.intercept_mg_cm3
    ash = ash_from_ha(HADensity(np.array(ha / 1000)))
    assert ha == pytest.approx(108.57, abs=1e-6)
    assert ash == pytest.approx(0.1741, abs=5e-5)
    assert apparent_from_ash(ash) == pytest.approx(0.2912, abs=5e-5)
    # Three points on a line leave no error (least squares: closed form).
    assert line.slope_standard_error_mg_cm3_per_hu == pytest.approx(0, abs=1e-12)


# What is refused


def document(rods: list[dict[str, object]], **changed: object) -> dict[str, object]:
    return {"format": "pilothole-rods", "version": 1, "equivalent": "HA", "rods": rods, **changed}


GOOD = [
    {"density_mg_cm3": d, "centre_mm": [x, 0.3, 0.0], "radius_mm": 5.0}
    for d, x in zip(DENSITIES, (-32.0, -16.0, 0.0, 16.0, 32.0), strict=True)
]


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"equivalent": "ash"}, "equivalent"),
        ({"rods": GOOD[:2]}, "rods"),
        ({"rods": [GOOD[0], *GOOD[:2]]}, "density 0 mg/cm³"),
        ({"rods": [*GOOD[:2], {"density_mg_cm3": 9.0, "radius_mm": 5.0}]}, "give it for all"),
        ({"rods": [{"density_mg_cm3": float(d), "radius_mm": float(d)} for d in (1, 2, 3)]}, "one radius_mm"),
        ({"rods": [{**GOOD[0], "direction": [0, 0, 0.0]}, *GOOD[1:]]}, "direction is 0, 0, 0"),
        ({"rods": [{**GOOD[0], "radius": 4.0}, *GOOD[1:]]}, "radius"),
        ({"rods": [{**GOOD[0], "radius_mm": 0.0}, *GOOD[1:]]}, "radius_mm"),
    ],
)
def test_faults_of_the_file_are_told(changed, words):
    with pytest.raises(InputError, match=words) as caught:
        rods_of({**document(GOOD), **changed})
    assert "\n" not in str(caught.value)


def test_a_file_is_read(tmp_path):
    path = tmp_path / "rods.json"
    path.write_text(
        json.dumps(document([{**GOOD[0], "direction": [0.0, 0.0, 2.0], "length_mm": 20.0}, *GOOD[1:]]))
    )
    read = read_rods(path)
    assert read.equivalent == "HA"
    assert read.densities_mg_cm3.tolist() == list(DENSITIES)
    assert read.rods is not None
    assert read.rods[0].direction.tolist() == [0, 0, 1]
    assert (read.rods[0].length_mm, read.rods[1].length_mm) == (20.0, 10.0)
    line = by_rods(scan(2), read.rods)
    assert line.slope_mg_cm3_per_hu == pytest.approx(SLOPE, rel=0.01)


@pytest.mark.parametrize(
    ("shift", "words"),
    [((5.0, 0, 0), "not of one grey value"), ((0, 400.0, 0), "outside the scan")],
)
def test_a_rod_at_a_wrong_place_is_refused(shift, words):
    rods = placed()
    rods[4] = Rod(rods[4].centre_mm + shift, rods[4].direction, 5.0, 20.0)
    with pytest.raises(InputError, match=words):
        by_rods(scan(0), rods)


def test_swapped_densities_are_refused():
    with pytest.raises(InputError, match="do not lie on a line"):
        by_rods(scan(0), placed(), (0.0, 200.0, 100.0, 400.0, 800.0))
    with pytest.raises(InputError, match="do not rise"):
        by_rods(scan(0), placed(), DENSITIES[::-1])


def test_a_rod_without_data_is_refused():
    ct = scan(0)
    holed = ct.hu.copy()
    holed[:, :, : ct.grid.shape[2] // 2] = -2000
    with pytest.raises(InputError, match="without data"):
        by_rods(CTVolume(ct.grid, holed, "test"), placed())


# From the command line to the report


def scan_file(folder, noise_hu: float = 10.0):
    """Rods in their bed behind a ball of bone of 300 mg/cm³, radius 10 mm; the path, and the rods' parts."""
    densities = (0.0, 200.0, 800.0)
    grid = grid_around((30, 45, 17), (0.8, 0.8, 1.0))
    x, y, z = np.moveaxis(points_of(grid), -1, 0)
    hu = 40 + 30 * step(13 - np.abs(y + 28), FWHM_MM)
    parts = []
    for density, place in zip(densities, (-18.0, 0.0, 18.0), strict=True):
        hu = hu + (hu_of(density) - 70) * step(5 - np.hypot(x - place, y + 28), FWHM_MM)
        parts.append(
            {
                "density_mg_cm3": density,
                "centre_mm": [place, -28.0, 0.0],
                "radius_mm": 5.0,
                "length_mm": 25.0,
            }
        )
    hu = hu + (hu_of(300) - 40) * step(10 - np.sqrt(x**2 + (y - 22) ** 2 + z**2), FWHM_MM)
    noisy = hu + np.random.default_rng(1).normal(0, noise_hu, hu.shape)
    path = write_nifti(folder / "ct.nii.gz", noisy.round().astype(np.int16), grid.affine)
    return path, parts


@pytest.mark.parametrize("equivalent", ["HA", "K2HPO4"])
def test_from_the_rods_file_to_the_report(tmp_path, equivalent):
    path, parts = scan_file(tmp_path)
    rods, case = tmp_path / "rods.json", tmp_path / "case"
    rods.write_text(json.dumps(document(parts, equivalent=equivalent)))
    words = ["--threshold", "210", "--rods", str(rods), "--kvp", "140", "--name", "0,22,0=ball@ball"]
    assert run(["segment", str(path), "--out", str(case), *words]) == 0
    told = json.loads((case / "bone.json").read_text())
    line = told["calibration"]
    assert line["kind"] == "rods-in-the-scan"
    # K₂HPO₄ rods of the same numbers are 1 / 0.81 as dense in HA at 140 kV (Goodsitt 1992).
    as_ha = 1 / 0.81 if equivalent == "K2HPO4" else 1
    assert line["slope_mg_cm3_per_hu"] == pytest.approx(SLOPE * as_ha, rel=0.01)
    assert line["slope_standard_error_mg_cm3_per_hu"] > 0
    # The ratio of K₂HPO₄ to HA is known to 2 % (our choice), upon 4 % for rods in the scan.
    ratio = 0.02 if equivalent == "K2HPO4" else 0.0
    assert line["standard_error_fraction"] == pytest.approx(np.hypot(0.04, ratio))
    assert set(told["made_with"]["inputs"]) == {"ct", "rods"}
    screw = {**PLAN["screws"][0], "entry_mm": [-10.0, 22.0, 0.0], "target_mm": [10.0, 22.0, 0.0]}
    write_plan(case / "plan.json", {**PLAN, "screws": [screw]})
    assert run(["report", str(case)]) == 0
    page = (case / "report.html").read_text()
    assert "by rods in the scan" in page
    assert f"3 {equivalent} rods (given)" in page
    error = read_case(case).calibration.standard_error_mg_cm3([200.0, 800.0])
    assert f"{error[0]:.0f} at 200 and {error[1]:.0f} at 800 mg/cm³" in page


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--calibration", "0.77,0"], "--calibration and --rods ask for two density lines"),
        (["--calibrate-by-tissues"], "--rods and --calibrate-by-tissues ask for two"),
        (["--host", "foam"], "--rods gives bone mineral, not foam"),
        ([], "K2HPO4 rods need the tube voltage"),
        (["--kvp", "70"], "from 80 to 140 kV only"),
    ],
)
def test_what_does_not_go_together_is_told(tmp_path, capsys, words, told):
    path, parts = scan_file(tmp_path)
    rods = tmp_path / "rods.json"
    rods.write_text(json.dumps(document(parts, equivalent="K2HPO4")))
    assert run(["segment", str(path), "--out", str(tmp_path / "case"), "--rods", str(rods), *words]) != 0
    assert told in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "case").exists()


def test_a_wider_line_gives_a_wider_force():
    """The line's own error reaches the interval of the force, and more so where the density is low."""
    from finding_cases import bone_in, down
    from phantoms import slabs

    from planner.assess import assess_screws
    from planner.vocabulary import Plan

    ratios = []
    fitted = Calibration("rods-in-the-scan", 0.77, 0.0, 0.04, "test")
    for error in (0.0, 20.0):
        line = replace(fitted, intercept_standard_error_mg_cm3=error)
        for hu in (260.0, 900.0):
            ct = as_ct(*slabs(thicknesses_mm=(20.0,), hu=(hu,), voxel_mm=(0.5, 0.5, 0.5)))
            plan = Plan((down(-10, 16),))
            force = assess_screws(bone_in(ct, calibration=line), plan).screws[0].pullout_n
            assert force is not None
            ratios.append(force.high / force.estimate)
    thin, dense, thin_in_doubt, dense_in_doubt = ratios
    assert thin_in_doubt / thin > 1.03
    assert dense_in_doubt > dense
    assert thin_in_doubt / thin > dense_in_doubt / dense
