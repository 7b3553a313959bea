"""What a person asked of a screw, answered: a torque, a compression, a load across it, weeks to union."""

from __future__ import annotations

from collections.abc import Iterator

from planner.interval import Interval
from planner.vocabulary import ScrewResult
from viewer.report.drawing import written
from viewer.report.found_page import NUM, RANGE, table, table_height
from viewer.report.sheet import WIDTH_PX, Block
from viewer.report.words import has_stop

Answer = tuple[str, Interval | None, str, int, str]
"""What was asked, the answer, its unit and decimals, and what is told beside it: the reason where there is no
answer."""


def asked_blocks(result: ScrewResult) -> list[tuple[Block, float]]:
    """The table of answers and its likely height; nothing where nothing was asked."""
    stop = has_stop(result)
    answers = [*([] if stop else _pressing(result)), *_bending(result), *_twins(result)]
    if not answers:
        return []
    heads = [("asked", ""), ("answer", NUM), ("5 to 95 %", RANGE), ("", "why")]
    foot = "Compression and torque are left out while a stop stands." if stop else ""
    block = table("As asked", "", heads, [_row(*one) for one in answers], foot)
    return [(block, table_height(block, WIDTH_PX))]


def _row(words: str, interval: Interval | None, unit: str, digits: int, told: str) -> list[str]:
    if interval is None:
        return [words, "not told", "", told]
    estimate, low, high = (written(one, digits) for one in (interval.estimate, interval.low, interval.high))
    return [words, f"{estimate}\u00a0{unit}", "" if low == high else f"{low} to {high}", told]


def _pressing(result: ScrewResult) -> Iterator[Answer]:
    torque = result.torque
    if torque is not None and torque.given_n_m is not None:
        why = _why(result, torque.compression_at_given_n, "torque.compression_at_given_n")
        yield f"compression at {torque.given_n_m:g} N·m", torque.compression_at_given_n, "N", 0, why
    if torque is not None and torque.wanted_compression_n is not None:
        why = _why(result, torque.torque_for_wanted_n_m, "torque.torque_for_wanted_n_m")
        yield f"torque for {torque.wanted_compression_n:g} N", torque.torque_for_wanted_n_m, "N·m", 2, why


def _bending(result: ScrewResult) -> Iterator[Answer]:
    if result.strength is None or result.strength.bending.load_n is None:
        return
    bending = result.strength.bending
    load = f"{bending.load_n:g} N, {bending.lever_mm:g} mm from the weakest section"
    share = bending.of_yield_fraction
    told = _why(result, bending.stress_mpa, "strength.bending.stress_mpa")
    if share is not None:
        estimate, low, high = (written(100 * one, 0) for one in (share.estimate, share.low, share.high))
        told = f"{estimate} % ({low} to {high}) of yield"
    yield f"stress under {load}", bending.stress_mpa, "MPa", 0, told
    why = _why(result, bending.deflection_mm, "strength.bending.deflection_mm")
    yield "deflection under it", bending.deflection_mm, "mm", 2, why


def _twins(result: ScrewResult) -> Iterator[Answer]:
    twins = result.resorbable
    if twins is None or twins.union_weeks is None:
        return
    for course in twins.courses:
        why = _why(result, course.at_union, f"resorbable.courses.{course.material}.at_union")
        words = f"{course.material} at {twins.union_weeks} weeks"
        yield words, course.at_union, "×", 2, why or "the metal screw's own strength"


def _why(result: ScrewResult, answer: Interval | None, field: str) -> str:
    """Why there is no answer; nothing where there is one."""
    return "" if answer is not None else result.reasons.get(field, "not known")
