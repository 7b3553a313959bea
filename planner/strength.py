"""What a screw bears on its path: its sections against the fracture, floors of torque, bending, fatigue,
pilot fit, and what of it a resorbable twin would bear.

The formulas are in ``sections.py``, ``bending.py``, ``torque_floors.py``, ``fatigue.py``, ``pilot.py`` and
``resorbable.py``; here they meet a placed screw.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from planner.bending import deflection_interval_mm, stress_interval_mpa, yield_moment_n_m
from planner.demands import Demands
from planner.fatigue import NOTCH_FACTOR, endured_ratio
from planner.fracture_gaps import Gap
from planner.interval import product, scaled
from planner.materials import METALS
from planner.mechanics_vocabulary import (
    Bending,
    Fatigue,
    PlacedSection,
    ResorbableCourse,
    Resorbables,
    Strength,
    TorqueFloors,
)
from planner.path import Path
from planner.pilot import pilot_fit
from planner.resorbable import (
    RESORBABLES,
    WEEKS,
    Resorbable,
    half_strength_weeks,
    stiffness_against,
    stiffness_left,
    strength_against,
    strength_left,
)
from planner.screw_families import all_families
from planner.sections import (
    Place,
    away_mm,
    places_along,
    second_moment_interval_mm4,
    weakest,
)
from planner.solid import solid_of
from planner.torque_floors import floors
from planner.vocabulary import Material, Screw, Thread

REFERENCE = "iso5835-ha-3.5"
"""The screw that fatigue is told against. Our choice: the one most used."""

NO_FRACTURE = "the axis crosses no fracture"
NO_LOAD = "no load was asked"
NO_ROW = "the table has no row for this screw"
NOT_ON_SCREW = "the fracture lies beyond the screw, or at its tapering tip"
NO_PILOT = "the catalogue names no pilot drill"
NO_UNION = "no time to union was asked, or nothing was published for it"


def strength_of(path: Path, gaps: Sequence[Gap], demands: Demands) -> tuple[Strength, dict[str, str]]:
    """The strength of a placed screw, and why what is not known of it is not."""
    placed = path.placed
    screw, metal = placed.screw, METALS[placed.screw.material]
    places = places_along(screw, path.solid)
    middle_mm = gaps[0].middle_mm - placed.seat_depth_mm if gaps else None
    weak = weakest(places, middle_mm)
    at_fracture = _at(places, middle_mm)
    runouts = [_distance_mm(place, gaps, placed.seat_depth_mm) for place in places if _is_runout(place)]
    asked = floors(screw)
    reasons: dict[str, str] = {}
    if not gaps:
        reasons["strength.runout_to_fracture_mm"] = NO_FRACTURE
        reasons["strength.sections.to_fracture_mm"] = NO_FRACTURE
    if at_fracture is None:
        reasons["strength.at_fracture"] = NOT_ON_SCREW if gaps else NO_FRACTURE
    for name in ("breaking_n_m", "breaking_rotation_degree", "yield_n_m", "yield_row_mm"):
        if getattr(asked, name) is None:
            reasons[f"strength.torque_floors.{name}"] = NO_ROW
    if asked.insertion_n_m is None:
        reasons["strength.torque_floors.insertion_limit_n_m"] = NO_ROW
    if demands.bending_n is None:
        for name in ("load_n", "lever_mm", "stress_mpa", "of_yield_fraction", "deflection_mm"):
            reasons[f"strength.bending.{name}"] = NO_LOAD
    leading = _leading(screw)
    if screw.pilot_mm is None:
        reasons["strength.pilot"] = NO_PILOT
    return Strength(
        material=screw.material,
        material_source=metal.source,
        sections=tuple(_placed(place, gaps, placed.seat_depth_mm) for place in places),
        weakest=_placed(weak, gaps, placed.seat_depth_mm),
        at_fracture=None if at_fracture is None else _placed(at_fracture, gaps, placed.seat_depth_mm),
        runout_to_fracture_mm=min((one for one in runouts if one is not None), default=None),
        torque_floors=TorqueFloors(
            asked.breaking_n_m,
            asked.breaking_rotation_degree,
            asked.yield_n_m,
            asked.yield_row_mm,
            asked.insertion_n_m,
        ),
        bending=_bending(weak, screw, demands),
        fatigue=Fatigue(REFERENCE, endured_ratio(places, screw.material, *_reference_places()), NOTCH_FACTOR),
        pilot=None
        if screw.pilot_mm is None
        else pilot_fit(pilot_mm=screw.pilot_mm, core_mm=leading.core_mm, major_mm=leading.major_mm),
    ), reasons


def resorbables_of(path: Path, demands: Demands) -> tuple[Resorbables, dict[str, str]]:
    """The same screw in metal and in each resorbable material."""
    screw = path.placed.screw
    metal, weak = METALS[screw.material], weakest(places_along(screw, path.solid))
    courses = tuple(_course(material, screw.material, demands.union_weeks) for material in RESORBABLES)
    reasons = {
        f"resorbable.courses.{course.material}.at_union": NO_UNION
        for course in courses
        if course.at_union is None
    }
    if demands.union_weeks is None:
        reasons["resorbable.union_weeks"] = "no time to union was asked"
    for course in courses:
        beyond = "nothing was published of later weeks"
        if None in course.strength_left:
            reasons[f"resorbable.courses.{course.material}.strength_left"] = beyond
        if course.half_strength_weeks is None:
            reasons[f"resorbable.courses.{course.material}.half_strength_weeks"] = beyond
    return Resorbables(
        metal=screw.material,
        metal_yield_moment_n_m=yield_moment_n_m(weak.section, metal),
        metal_stiffness_n_mm2=product(second_moment_interval_mm4(weak.section), metal.elastic_mpa),
        union_weeks=demands.union_weeks,
        courses=courses,
    ), reasons


@cache
def _course(material: Resorbable, metal_name: Material, union_weeks: int | None) -> ResorbableCourse:
    metal = METALS[metal_name]
    strength = tuple(strength_left(material, week) for week in WEEKS)
    stiffness = tuple(stiffness_left(material, week) for week in WEEKS)
    at_union = None if union_weeks is None else strength_left(material, union_weeks)
    return ResorbableCourse(
        material=material.name,
        source=material.source,
        weeks=WEEKS,
        strength_left=strength,
        stiffness_left=stiffness,
        strength_against_metal=tuple(
            None if left is None else strength_against(material, metal, left) for left in strength
        ),
        stiffness_against_metal=tuple(
            None if left is None else stiffness_against(material, metal, left) for left in stiffness
        ),
        half_strength_weeks=half_strength_weeks(material),
        at_union=None if at_union is None else strength_against(material, metal, at_union),
    )


def _bending(weak: Place, screw: Screw, demands: Demands) -> Bending:
    metal = METALS[screw.material]
    moment = yield_moment_n_m(weak.section, metal)
    if demands.bending_n is None or demands.bending_lever_mm is None:
        return Bending(moment, None, None, None, None, None)
    load_n, lever_mm = demands.bending_n, demands.bending_lever_mm
    stress = stress_interval_mpa(load_n, lever_mm, weak.section)
    return Bending(
        yield_moment_n_m=moment,
        load_n=load_n,
        lever_mm=lever_mm,
        stress_mpa=stress,
        of_yield_fraction=scaled(stress, 1 / metal.yield_mpa),
        deflection_mm=deflection_interval_mm(load_n, lever_mm, weak.section, metal),
    )


def _is_runout(place: Place) -> bool:
    return place.stretch == "run-out"


def _at(places: Sequence[Place], middle_mm: float | None) -> Place | None:
    """The stretch at a distance below the datum plane."""
    if middle_mm is None:
        return None
    return next((place for place in places if place.from_mm <= middle_mm <= place.to_mm), None)


def _distance_mm(place: Place, gaps: Sequence[Gap], seat_mm: float) -> float | None:
    """From a stretch to the nearest gap on the axis."""
    away = (away_mm(place, gap.from_mm - seat_mm, gap.to_mm - seat_mm) for gap in gaps)
    return min(away, default=None)


def _placed(place: Place, gaps: Sequence[Gap], seat_mm: float) -> PlacedSection:
    section = place.section
    return PlacedSection(
        stretch=place.stretch,
        from_mm=seat_mm + place.from_mm,
        to_mm=seat_mm + place.to_mm,
        diameter_mm=section.diameter_mm,
        cannula_mm=section.cannula_mm,
        area_mm2=section.area_mm2,
        second_moment_mm4=section.second_moment_mm4,
        modulus_mm3=section.modulus_mm3,
        polar_modulus_mm3=section.polar_modulus_mm3,
        to_fracture_mm=_distance_mm(place, gaps, seat_mm),
    )


def _leading(screw: Screw) -> Thread:
    """The thread that the pilot hole is drilled for: that at the tip, else the only one."""
    return next((thread for thread in screw.threads if thread.at == "tip"), screw.threads[0])


@cache
def _reference_places() -> tuple[tuple[Place, ...], Material]:
    screw = next(one for one in all_families() if one.name == REFERENCE)
    return places_along(screw, solid_of(screw, screw.stocked_lengths_mm[0])), screw.material
