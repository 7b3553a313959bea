"""The formulas of mechanics with a screw's own numbers in them: strength, torque, lag, two pitches, drilling.

What a screw's material and the laws bring along are the constants of the modules that compute with them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from planner.bending import N_MM_PER_N_M_COUNT
from planner.materials import METALS
from planner.pilot import WIDER_OF_DEPTH_FRACTION
from planner.resorbable import RESORBABLES
from planner.sections import Section, core_interval_mm
from planner.torque import ADVISED_OF_STRIPPING_FRACTION, INSERTION
from planner.torque_floors import INSERTION_OF_YIELD_FRACTION
from planner.two_pitch import OF_STRIPPING_FRACTION, RETAINED
from planner.worked_line import equation, figure, total

Screw = Mapping[str, Any]
Part = Mapping[str, Any]
Lines = tuple[str, ...]


def worked_mechanics(path: str, screw: Screw) -> Lines:
    """The lines for a known value of mechanics at ``path`` of ``screw``; none where it is computed from what
    the document does not hold."""
    key = re.sub(r"\[\d+\]", "", path)
    counts = [int(count) for count in re.findall(r"\[(\d+)\]", path)]
    if place := re.fullmatch(r"strength\.(sections|weakest|at_fracture)\.(\w+)", key):
        part = screw["strength"][place[1]]
        return _of_section(part[counts[0]] if counts else part, place[2])
    if key.startswith("resorbable.courses."):
        return _of_course(screw, screw["resorbable"]["courses"][counts[0]], key.split(".")[2], counts[1:])
    if key == "drilling.reading_mm":
        return _reading(screw["drilling"][counts[0]])
    maker = FORMULAS.get(key)
    return maker(screw) if maker else ()


def _least(*expressions: str) -> str:
    """The smallest of what is there, as it is written; of one, itself."""
    return f"min({', '.join(expressions)})" if len(expressions) > 1 else expressions[0]


def _of_section(section: Part, name: str) -> Lines:
    d, c = figure(section["diameter_mm"]), figure(section["cannula_mm"])
    expressions = {
        "area_mm2": ("A", f"π · ({d}² − {c}²) / 4", "mm²"),
        "second_moment_mm4": ("I", f"π · ({d}⁴ − {c}⁴) / 64", "mm⁴"),
        "modulus_mm3": ("Z", f"2 · {figure(section['second_moment_mm4'])} / {d}", "mm³"),
        "polar_modulus_mm3": ("Wp", f"2 · {figure(section['modulus_mm3'])}", "mm³"),
    }
    if name not in expressions:
        return ()
    symbol, expression, unit = expressions[name]
    return (equation(symbol, expression, section[name], unit),)


def _median_core(screw: Screw) -> tuple[Section, str, str]:
    """The weakest section at the middle of its core's tolerance, and the lines of its diameter and I."""
    weak = screw["strength"]["weakest"]
    core_mm = core_interval_mm(weak["diameter_mm"]).estimate
    section = Section(core_mm, weak["cannula_mm"])
    less = figure(weak["diameter_mm"] - core_mm)
    core = equation("d", f"{figure(weak['diameter_mm'])} − {less}", core_mm, "mm")
    powers = f"π · ({figure(core_mm)}⁴ − {figure(section.cannula_mm)}⁴) / 64"
    return section, core, equation("I", powers, section.second_moment_mm4, "mm⁴")


def _median_modulus(screw: Screw) -> tuple[float, Lines]:
    section, core, second = _median_core(screw)
    expression = f"2 · {figure(section.second_moment_mm4)} / {figure(section.diameter_mm)}"
    return section.modulus_mm3, (core, second, equation("Z", expression, section.modulus_mm3, "mm³"))


def _yield_moment(screw: Screw) -> Lines:
    modulus_mm3, lines = _median_modulus(screw)
    yield_mpa = METALS[screw["strength"]["material"]].yield_mpa
    expression = f"{figure(modulus_mm3)} · {figure(yield_mpa)} / {N_MM_PER_N_M_COUNT}"
    moment = screw["strength"]["bending"]["yield_moment_n_m"]["estimate"]
    return (*lines, equation("M", expression, moment, "N·m"))


def _stress(screw: Screw) -> Lines:
    bending = screw["strength"]["bending"]
    modulus_mm3, lines = _median_modulus(screw)
    expression = f"{figure(bending['load_n'])} · {figure(bending['lever_mm'])} / {figure(modulus_mm3)}"
    return (*lines, equation("stress", expression, bending["stress_mpa"]["estimate"], "MPa"))


def _of_yield(screw: Screw) -> Lines:
    bending = screw["strength"]["bending"]
    yield_mpa = METALS[screw["strength"]["material"]].yield_mpa
    expression = f"{figure(bending['stress_mpa']['estimate'])} / {figure(yield_mpa)}"
    return (equation("share", expression, bending["of_yield_fraction"]["estimate"], ""),)


def _deflection(screw: Screw) -> Lines:
    bending = screw["strength"]["bending"]
    section, core, second = _median_core(screw)
    elastic_mpa = METALS[screw["strength"]["material"]].elastic_mpa.estimate
    expression = (
        f"{figure(bending['load_n'])} · {figure(bending['lever_mm'])}³ "
        f"/ (3 · {figure(elastic_mpa)} · {figure(section.second_moment_mm4)})"
    )
    return (core, second, equation("deflection", expression, bending["deflection_mm"]["estimate"], "mm"))


def _metal_stiffness(screw: Screw) -> Lines:
    section, core, second = _median_core(screw)
    metal = METALS[screw["resorbable"]["metal"]]
    expression = f"{figure(metal.elastic_mpa.estimate)} · {figure(section.second_moment_mm4)}"
    stiffness = screw["resorbable"]["metal_stiffness_n_mm2"]["estimate"]
    return (core, second, equation("E·I", expression, stiffness, "N·mm²"))


def _runout(screw: Screw) -> Lines:
    ways = [
        figure(one["to_fracture_mm"])
        for one in screw["strength"]["sections"]
        if one["stretch"] == "run-out" and one["to_fracture_mm"] is not None
    ]
    distance = screw["strength"]["runout_to_fracture_mm"]
    return (equation("distance", _least(*ways), distance, "mm"),) if len(ways) > 1 else ()


def _insertion_limit(screw: Screw) -> Lines:
    floors = screw["strength"]["torque_floors"]
    expression = f"{INSERTION_OF_YIELD_FRACTION} · {figure(floors['yield_n_m'])}"
    return (equation("T", expression, floors["insertion_limit_n_m"], "N·m"),)


def _widest_pilot(screw: Screw) -> Lines:
    major_mm = _drilled_for_mm(screw)
    if major_mm is None:
        return ()
    pilot = screw["strength"]["pilot"]
    core = figure(pilot["core_mm"])
    expression = f"{core} + {WIDER_OF_DEPTH_FRACTION} · ({figure(major_mm)} − {core}) / 2"
    return (equation("widest", expression, pilot["widest_mm"], "mm"),)


def _pilot_share(screw: Screw) -> Lines:
    major_mm = _drilled_for_mm(screw)
    if major_mm is None:
        return ()
    pilot = screw["strength"]["pilot"]
    expression = f"{figure(pilot['pilot_mm'])} / {figure(major_mm)}"
    return (equation("share", expression, pilot["of_major_fraction"], ""),)


def _drilled_for_mm(screw: Screw) -> float | None:
    """Major diameter of the thread that the pilot hole is for, where it bites; None where it does not."""
    core_mm = screw["strength"]["pilot"]["core_mm"]
    threads = [one for fragment in screw["fragments"] for one in fragment["threads"]]
    return next((one["major_mm"] for one in reversed(threads) if one["core_mm"] == core_mm), None)


def _all_thread(screw: Screw) -> tuple[float | None, Lines]:
    """What all thread that bites holds together, and its line where there is more than one part."""
    engaged = [one for one in screw["fragments"] if one["thread_engagement_mm"] > 0]
    if not engaged or any(one["pullout_n"] is None for one in engaged):
        return None, ()
    forces = [one["pullout_n"]["estimate"] for one in engaged]
    hold = sum(forces)
    return hold, (equation("hold", total(forces), hold, "N"),) if len(forces) > 1 else ()


def _hold(screw: Screw) -> tuple[float | None, Lines]:
    """What the thread holds before it strips: of a headless screw its weaker side."""
    if screw["clearance_mm"]["trailing_end"]["outer"] is None:
        return _all_thread(screw)
    force = screw["pullout_n"]
    return (None if force is None else force["estimate"]), ()


def _insertion(screw: Screw) -> Lines:
    hold, lines = _all_thread(screw)
    if hold is None:
        return ()
    # The last step of the drilling is the screw itself, by its largest thread.
    major = figure(screw["drilling"][-1]["diameter_mm"])
    expression = f"{INSERTION.estimate} · {figure(hold)} · {major} / {N_MM_PER_N_M_COUNT}"
    return (*lines, equation("T", expression, screw["torque"]["insertion_n_m"]["estimate"], "N·m"))


def _stripping(screw: Screw) -> Lines:
    hold, lines = _hold(screw)
    if hold is None:
        return ()
    torque = screw["torque"]
    lever = figure(torque["torque_per_force_mm"]["estimate"])
    expression = f"{figure(hold)} · {lever} / {N_MM_PER_N_M_COUNT}"
    return (*lines, equation("T", expression, torque["stripping_n_m"]["estimate"], "N·m"))


def _eighty(screw: Screw) -> Lines:
    torque = screw["torque"]
    expression = f"{ADVISED_OF_STRIPPING_FRACTION} · {figure(torque['stripping_n_m']['estimate'])}"
    return (equation("T", expression, torque["eighty_percent_n_m"]["estimate"], "N·m"),)


def _advised(screw: Screw) -> Lines:
    torque, limit = screw["torque"], screw["strength"]["torque_floors"]["insertion_limit_n_m"]
    ends = [f"{ADVISED_OF_STRIPPING_FRACTION} · {figure(torque['stripping_n_m']['low'])}"]
    if limit is not None:
        ends.append(figure(limit))
    return (equation("T", _least(*ends), torque["advised_at_most_n_m"], "N·m"),)


def _compression(asked: str, told: str) -> Callable[[Screw], Lines]:
    def lines(screw: Screw) -> Lines:
        hold, before = _hold(screw)
        if hold is None:
            return ()
        torque = screw["torque"]
        lever = figure(torque["torque_per_force_mm"]["estimate"])
        ends = [
            f"{figure(torque[asked])} · {N_MM_PER_N_M_COUNT} / {lever}",
            f"{ADVISED_OF_STRIPPING_FRACTION} · {figure(hold)}",
        ]
        return (*before, equation("F", _least(*ends), torque[told]["estimate"], "N"))

    return lines


def _for_wanted(screw: Screw) -> Lines:
    torque = screw["torque"]
    lever = figure(torque["torque_per_force_mm"]["estimate"])
    expression = f"{figure(torque['wanted_compression_n'])} · {lever} / {N_MM_PER_N_M_COUNT}"
    return (equation("T", expression, torque["torque_for_wanted_n_m"]["estimate"], "N·m"),)


def _of_angle(name: str, symbol: str, function: str) -> Callable[[Screw], Lines]:
    def lines(screw: Screw) -> Lines:
        lag = screw["lag"]
        expression = f"{function}({figure(lag['angle_degree']['estimate'])} · π / 180)"
        return (equation(symbol, expression, lag[name]["estimate"], ""),)

    return lines


def _pressing(screw: Screw) -> Lines:
    lag, two_pitch = screw["lag"], screw["two_pitch"]
    force = screw["torque"]["compression_at_advised_n"] if two_pitch is None else two_pitch["force_now_n"]
    expression = f"{figure(force['estimate'])} · {figure(lag['pressing_fraction']['estimate'])}"
    return (equation("F", expression, lag["pressing_n"]["estimate"], "N"),)


def _per_turn(screw: Screw) -> Lines:
    pitch = {one["zone"]: one["pitch_mm"] for fragment in screw["fragments"] for one in fragment["threads"]}
    if len(pitch) < 2:
        return ()
    expression = f"{figure(pitch[max(pitch)])} − {figure(pitch[min(pitch)])}"
    return (equation("travel", expression, screw["two_pitch"]["travel_per_turn_mm"], "mm"),)


def _travel(screw: Screw) -> Lines:
    told = screw["two_pitch"]
    expression = f"{figure(told['turns_both_count'])} · {figure(told['travel_per_turn_mm'])}"
    return (equation("travel", expression, told["travel_mm"], "mm"),)


def _gap_along(screw: Screw) -> Lines:
    told, lag = screw["two_pitch"], screw["lag"]
    if lag is None or lag["angle_degree"] is None:
        return ()
    expression = f"{figure(told['gap_mm'])} / cos({figure(lag['angle_degree']['estimate'])} · π / 180)"
    return (equation("gap", expression, told["gap_along_axis_mm"], "mm"),)


def _force_now(screw: Screw) -> Lines:
    told, hold = screw["two_pitch"], screw["pullout_n"]
    if not told["closes"] or hold is None:
        return ()
    ends = [f"{OF_STRIPPING_FRACTION} · {figure(hold['estimate'])}"]
    limit = screw["strength"]["torque_floors"]["insertion_limit_n_m"]
    if limit is not None:
        lever = figure(screw["torque"]["torque_per_force_mm"]["estimate"])
        ends.append(f"{figure(limit)} · {N_MM_PER_N_M_COUNT} / {lever}")
    return (equation("F", _least(*ends), told["force_now_n"]["estimate"], "N"),)


def _retained(screw: Screw) -> Lines:
    told = screw["two_pitch"]
    expression = f"{figure(RETAINED.estimate)} · {figure(told['force_now_n']['estimate'])}"
    return (equation("F", expression, told["force_retained_n"]["estimate"], "N"),)


def _of_course(screw: Screw, course: Part, name: str, counts: list[int]) -> Lines:
    """What a resorbable twin has left against metal at a week."""
    metal = METALS[screw["resorbable"]["metal"]]
    material = next(one for one in RESORBABLES if one.name == course["material"])
    over = {
        "strength_against_metal": (material.bending_mpa.estimate, metal.yield_mpa, "strength_left"),
        "stiffness_against_metal": (
            material.elastic_mpa.estimate,
            metal.elastic_mpa.estimate,
            "stiffness_left",
        ),
    }.get(name)
    if over is None:
        return ()
    mine_mpa, metals_mpa, left = over
    share = course[left][counts[0]]["estimate"]
    expression = f"{figure(mine_mpa)} / {figure(metals_mpa)} · {figure(share)}"
    return (equation("share", expression, course[name][counts[0]]["estimate"], ""),)


def _reading(step: Part) -> Lines:
    if step["step"] != "gauge":
        return ()
    start_mm = step["from_mm"]
    begins = figure(start_mm) if start_mm >= 0 else f"({figure(start_mm)})"
    expression = f"{figure(step['to_mm'])} − {begins}"
    return (equation("reading", expression, step["reading_mm"], "mm"),)


def _projected(name: str, symbol: str, shown: tuple[int, ...]) -> Callable[[Screw], Lines]:
    """Distance of tip and apex along those of the axes right, front and head that are seen."""

    def lines(screw: Screw) -> Lines:
        told = screw["tip_apex"]
        ways = [abs(told["apex_mm"][axis] - screw["tip_mm"][axis]) for axis in shown]
        expression = f"√({' + '.join(f'{figure(way)}²' for way in ways)})"
        return (equation(symbol, expression, told[name], "mm"),)

    return lines


def _tip_apex(screw: Screw) -> Lines:
    told = screw["tip_apex"]
    parts = total([told["frontal_mm"], told["lateral_mm"]])
    return (equation("distance", parts, told["distance_mm"], "mm"),)


def _host(screw: Screw) -> Lines:
    known = [one["factor"] for one in screw["pull_out"]["factors"] if one["factor"] not in (None, 1)]
    expression = " · ".join(map(figure, [screw["pullout_n"]["estimate"], *known]))
    return (equation("F", expression, screw["pull_out"]["host_n"]["estimate"], "N"),)


def _force(screw: Screw) -> Lines:
    told = screw["pull_out"]
    ends = [figure(told[name]["estimate"]) for name in ("host_n", "screw_n") if told[name] is not None]
    return (equation("F", _least(*ends), told["force_n"]["estimate"], "N"),)


def _gain(of: str, told: str) -> Callable[[Screw], Lines]:
    def lines(screw: Screw) -> Lines:
        both = screw["angular_stability"]
        locked, unlocked = (figure(both[way][of]["estimate"]) for way in ("locked", "unlocked"))
        return (equation("gain", f"{locked} / {unlocked}", both[told], ""),)

    return lines


FORMULAS: Mapping[str, Callable[[Screw], Lines]] = {
    "pull_out.host_n": _host,
    "pull_out.force_n": _force,
    "angular_stability.stiffness_ratio": _gain("stiffness_n_per_mm", "stiffness_ratio"),
    "angular_stability.yield_ratio": _gain("yield_n", "yield_ratio"),
    "strength.runout_to_fracture_mm": _runout,
    "strength.torque_floors.insertion_limit_n_m": _insertion_limit,
    "strength.bending.yield_moment_n_m": _yield_moment,
    "strength.bending.stress_mpa": _stress,
    "strength.bending.of_yield_fraction": _of_yield,
    "strength.bending.deflection_mm": _deflection,
    "strength.pilot.widest_mm": _widest_pilot,
    "strength.pilot.of_major_fraction": _pilot_share,
    "resorbable.metal_yield_moment_n_m": _yield_moment,
    "resorbable.metal_stiffness_n_mm2": _metal_stiffness,
    "torque.insertion_n_m": _insertion,
    "torque.stripping_n_m": _stripping,
    "torque.eighty_percent_n_m": _eighty,
    "torque.advised_at_most_n_m": _advised,
    "torque.compression_at_advised_n": _compression("advised_at_most_n_m", "compression_at_advised_n"),
    "torque.compression_at_given_n": _compression("given_n_m", "compression_at_given_n"),
    "torque.torque_for_wanted_n_m": _for_wanted,
    "lag.pressing_fraction": _of_angle("pressing_fraction", "pressing", "cos"),
    "lag.shearing_fraction": _of_angle("shearing_fraction", "shearing", "sin"),
    "lag.pressing_n": _pressing,
    "two_pitch.travel_per_turn_mm": _per_turn,
    "two_pitch.travel_mm": _travel,
    "two_pitch.gap_along_axis_mm": _gap_along,
    "two_pitch.force_now_n": _force_now,
    "two_pitch.force_retained_n": _retained,
    "tip_apex.frontal_mm": _projected("frontal_mm", "frontal", (0, 2)),
    "tip_apex.lateral_mm": _projected("lateral_mm", "lateral", (1, 2)),
    "tip_apex.straight_mm": _projected("straight_mm", "straight", (0, 1, 2)),
    "tip_apex.distance_mm": _tip_apex,
}
"""Path without counts → what writes its lines."""
