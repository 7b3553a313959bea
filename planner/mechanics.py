"""The mechanics of one measured screw, step by step: strength, torque, lag, two pitches, drilling, twins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from planner.compression import lag_of, torque_of, two_pitch_of
from planner.demands import Demands
from planner.drilling import Depths, drilling_plan
from planner.engagement import left_around_mm
from planner.fracture_gaps import Gap
from planner.path import Path
from planner.prepared import PreparedBone
from planner.several_screws import tip_apex_of
from planner.strength import resorbables_of, strength_of
from planner.vocabulary import ScrewResult


def with_mechanics(
    prepared: PreparedBone, path: Path, result: ScrewResult, gaps: Sequence[Gap], demands: Demands
) -> ScrewResult:
    """``result`` with what its screw bears, presses, closes and asks to be drilled, and with the reasons."""
    near_to_mm = left_around_mm(path, result.fragments[0].fragment)
    strength, why_strength = strength_of(path, gaps, demands)
    torque, why_torque = torque_of(path, result, demands)
    two_pitch, why_two_pitch = two_pitch_of(path, result, gaps, near_to_mm, torque)
    force = torque.compression_at_advised_n if two_pitch is None else two_pitch.force_now_n
    lag, why_lag = lag_of(path, result, gaps, near_to_mm, force)
    resorbable, why_resorbable = resorbables_of(path, demands)
    tip_apex, why_tip_apex = tip_apex_of(prepared, path)
    reasons = {**result.reasons, **why_strength, **why_torque, **why_lag, **why_two_pitch, **why_resorbable}
    if why_tip_apex is not None:
        reasons["tip_apex"] = why_tip_apex
    return replace(
        result,
        strength=strength,
        torque=torque,
        drilling=drilling_plan(path.placed, path.solid, _depths(path, result)),
        lag=lag,
        two_pitch=two_pitch,
        resorbable=resorbable,
        tip_apex=tip_apex,
        reasons=reasons,
    )


def _depths(path: Path, result: ScrewResult) -> Depths:
    return Depths(
        bone_length_mm=path.length_mm,
        tip_mm=path.tip_depth_mm,
        near_cortex_to_mm=result.layers[0].to_mm,
        near_cortex_known=result.layers[0].thickness_known,
        gliding_to_mm=result.gliding_hole_to_mm,
        bone_length=result.intervals.bone_length_mm,
        gliding=result.intervals.gliding_hole_to_mm,
    )
