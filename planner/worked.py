"""The formula of a value with this screw's own numbers in it, line by line, as one would write it on paper.

Each line says ``symbol = expression = result unit``; working the expression out with the figures shown gives
the result within their rounding. Numbers are those of assessment.json and of nothing else.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Any

from planner.pullout import PERCENTILE_95_COUNT, SMOOTH_SHAPE_FACTOR, TAN_30_DEGREE_RATIO, thread_shape_factor
from planner.worked_line import equation, figure, total
from planner.worked_mechanics import worked_mechanics

ROUNDING_MM = 2e-6
"""Two lengths of assessment.json are the same within what it rounds them to."""

Screw = Mapping[str, Any]
Part = Mapping[str, Any]


def worked(path: str, screw: Screw, document: Mapping[str, Any]) -> tuple[str, ...]:
    """The lines for the value at ``path`` of ``screw``, itself a part of the ``document``.

    None where the value is unknown, or measured and not computed from other values there.
    """
    key = re.sub(r"\[\d+\]", "", path)
    counts = [int(count) for count in re.findall(r"\[(\d+)\]", path)]
    if key.startswith("angles_degree."):
        return _angle(screw, key.split(".")[1])
    if key.startswith("fragments.") and (maker := _OF_FRAGMENT.get(key)):
        return maker(screw["fragments"][counts[0]], document)
    if key == "layers.mean_density_mg_cm3":
        return _density(screw["layers"][counts[0]], document)
    if maker := _OF_SCREW.get(key):
        return maker(screw, document)
    return worked_mechanics(path, screw)


def _bone_length(screw: Screw, _: Any) -> tuple[str, ...]:
    ways = [
        f"({figure(b)} − {figure(a) if a >= 0 else f'({figure(a)})'})²"
        for a, b in zip(screw["entry_mm"], screw["exit_mm"], strict=True)
    ]
    return (equation("length", f"√({' + '.join(ways)})", screw["bone_length_mm"], "mm"),)


def _tip_depth(screw: Screw, _: Any) -> tuple[str, ...]:
    seat, length, tip = screw["seat_depth_mm"], screw["length_mm"], screw["tip_depth_mm"]
    if abs(seat + length - tip) > ROUNDING_MM:
        return ()  # A length that counts the head: how much of it lies below is the screw's own matter.
    return (equation("tip depth", total([seat, length]), tip, "mm"),)


def _angle(screw: Screw, plane: str) -> tuple[str, ...]:
    across = ("sagittal", "coronal", "axial").index(plane)
    way = [b - a for a, b in zip(screw["entry_mm"], screw["exit_mm"], strict=True)]
    within = " + ".join(f"{figure(abs(w))}²" for place, w in enumerate(way) if place != across)
    expression = f"atan2({figure(abs(way[across]))}, √({within})) · 180 / π"
    return (equation("angle", expression, screw["angles_degree"][plane], "°"),)


def _bridging(screw: Screw, _: Any) -> tuple[str, ...]:
    near, *beyond = (one for one in screw["fragments"] if one["axis_path_mm"] > 0)
    zones = {thread["zone"] for one in beyond for thread in one["threads"]}
    parts = [thread["engagement_mm"] for thread in near["threads"] if thread["zone"] in zones]
    return (equation("bridging", total(parts), screw["threads_bridging_mm"], "mm"),) if len(parts) > 1 else ()


def _governing(screw: Screw, _: Any) -> tuple[str, ...]:
    if screw["pullout_n"] is None:
        return ()
    of = [one for one in screw["fragments"] if one["axis_path_mm"] > 0 and one["thread_engagement_mm"] > 0]
    headed = screw["clearance_mm"]["trailing_end"]["outer"] is None
    held = [one for one in of if not (headed and one is screw["fragments"][0])] or of
    forces = ", ".join(figure(one["pullout_n"]["estimate"]) for one in held)
    return (equation("F", f"min({forces})", screw["pullout_n"]["estimate"], "N"),) if len(held) > 1 else ()


def _engagement(fragment: Part, _: Any) -> tuple[str, ...]:
    parts = [thread["engagement_mm"] for thread in fragment["threads"]]
    return (equation("E", total(parts), fragment["thread_engagement_mm"], "mm"),) if len(parts) > 1 else ()


def _threads_engaged(fragment: Part, _: Any) -> tuple[str, ...]:
    turns = [
        f"{figure(thread['engagement_mm'])} / {figure(thread['pitch_mm'])}" for thread in fragment["threads"]
    ]
    return (equation("threads", " + ".join(turns), fragment["threads_engaged"], ""),) if turns else ()


def _density(part: Part, document: Mapping[str, Any]) -> tuple[str, ...]:
    line = document["bone"].get("calibration")
    if line is None or part["mean_density_mg_cm3"] is None:
        return ()
    slope, intercept = line["slope_mg_cm3_per_hu"], line["intercept_mg_cm3"]
    expression = f"{figure(slope)} · {figure(part['mean_hu'])} + {figure(intercept)}".replace("+ −", "− ")
    return (equation("density", expression, part["mean_density_mg_cm3"], "mg/cm³"),)


def _mineral(end: str) -> Callable[[Screw, Mapping[str, Any]], tuple[str, ...]]:
    def lines(screw: Screw, document: Mapping[str, Any]) -> tuple[str, ...]:
        cortex = screw[end]
        if cortex is None or cortex["mass_mg_cm2"] is None:
            return ()
        slope = document["bone"]["calibration"]["slope_mg_cm3_per_hu"]
        expression = f"{figure(slope)} · {figure(cortex['mass_hu_mm'])} / 10"
        return (equation("mineral", expression, cortex["mass_mg_cm2"], "mg/cm²"),)

    return lines


def _pullout(fragment: Part, _: Any) -> tuple[str, ...]:
    force, errors = fragment["pullout_n"], fragment["pullout_errors"]
    if force is None or errors is None:
        return ()
    lines, forces = [], []
    for thread in fragment["threads"]:
        major, core, pitch = thread["major_mm"], thread["core_mm"], thread["pitch_mm"]
        shape = thread_shape_factor(major_mm=major, core_mm=core, pitch_mm=pitch)
        one = math.pi * major * shape * thread["engagement_mm"] * thread["mean_shear_mpa"]
        tsf, f = (f"{symbol} of zone {thread['zone']}" for symbol in ("TSF", "F"))
        flank = (
            f"{SMOOTH_SHAPE_FACTOR} + {TAN_30_DEGREE_RATIO} · ({figure(major)} − {figure(core)}) "
            f"/ (2 · {figure(pitch)})"
        )
        lines.append(equation(tsf, flank, shape, ""))
        factors = [major, shape, thread["engagement_mm"], thread["mean_shear_mpa"]]
        lines.append(equation(f, f"π · {' · '.join(map(figure, factors))}", one, "N"))
        forces.append(one)
    if len(forces) > 1:
        lines.append(equation("F", total(forces), force["estimate"], "N"))
    spread = math.hypot(*errors.values())
    squares = " + ".join(f"{figure(one)}²" for one in errors.values() if one)
    lines.append(equation("σ", f"√({squares})", spread, ""))
    reach = f"exp({figure(PERCENTILE_95_COUNT)} · {figure(spread)})"
    lines.append(equation("low", f"{figure(force['estimate'])} / {reach}", force["low"], "N"))
    lines.append(equation("high", f"{figure(force['estimate'])} · {reach}", force["high"], "N"))
    return tuple(lines)


_OF_FRAGMENT: Mapping[str, Callable[[Part, Mapping[str, Any]], tuple[str, ...]]] = {
    "fragments.thread_engagement_mm": _engagement,
    "fragments.threads_engaged": _threads_engaged,
    "fragments.mean_density_mg_cm3": _density,
    "fragments.pullout_n": _pullout,
}

_OF_SCREW: Mapping[str, Callable[[Screw, Mapping[str, Any]], tuple[str, ...]]] = {
    "bone_length_mm": _bone_length,
    "tip_depth_mm": _tip_depth,
    "threads_bridging_mm": _bridging,
    "pullout_n": _governing,
    "near_cortex.mass_mg_cm2": _mineral("near_cortex"),
    "far_cortex.mass_mg_cm2": _mineral("far_cortex"),
}
