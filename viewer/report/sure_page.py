"""The page of one screw that says how sure it is: its limits on one line, where they come from, what the
draws tell, and the length that a site's rule asks for.

Made where a site or a doubt was asked. Every number is the assessment's; a limit's picture is the bench's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from markupsafe import Markup

from planner.doubt_vocabulary import Doubt, DrawnNumber
from planner.limits import LIMIT_SOURCES, Limits
from planner.vocabulary import Assessment, ScrewResult, SiteLength
from viewer.drawn_words import LIMITS, NUMBERS, digits_of, number_of, says_words, share_words, source_words
from viewer.report import words
from viewer.report.drawing import SMALL, written
from viewer.report.found_page import NUM, RANGE, table, table_height
from viewer.report.limit_rows import limit_svg
from viewer.report.sheet import SMALL_ROW_PX, WIDTH_PX, Block, Page, paged, text_height
from viewer.report.subject import Subject
from viewer.report.sure_rows import SureRow, sure_rows, value_words

LINE_PX = 190.0
"""Width of the picture of a limit. Our choice: what the words leave."""

LIMIT_ROW_PX, SMALL_PADDING_PX = 24.0, 3.4
"""Height of a row with a limit's picture, and what a row of small type has beside its lines, measured in a
browser."""

HEADED_PX, SOURCE_OF_WIDTH_FRACTION = 35.0, 0.73
"""Height of a table's title and one line of heads, and the share of the width that a limit's source has,
measured in a browser."""

HOLDS = "fragments.pullout_n"
"""The pull-out of one fragment among the drawn numbers."""

OF_FRAGMENT = {
    "thread_engagement_mm": "thread engaged, mm",
    "mean_density_mg_cm3": "density, whole path, mg/cm³",
    HOLDS: "pull-out, N",
}
"""Drawn numbers of one fragment, in order."""

FORCES = ("pull_out.force_n", "torque.stripping_n_m", "torque.compression_at_advised_n", HOLDS)
"""Numbers that are not for comparison while a stop stands."""


def sure_pages(
    subject: Subject, assessment: Assessment, title: str, further: list[tuple[Block, float]]
) -> list[Page]:
    """How sure a screw is, with ``further`` blocks at its end; nothing where neither site nor doubt was asked
    and nothing is to follow."""
    settings, result = assessment.made_with["settings"], subject.result
    site, doubt = settings.get("site"), result.doubt
    blocks: list[tuple[Block, float]] = []
    if doubt is not None:
        blocks.append(_lead(doubt))
    if site is not None or doubt is not None:
        apex_mm = None if site is None else site["tip_apex_mm"]
        groups = sure_rows(result, subject.number - 1, subject.limits, apex_mm)
        blocks.append(_limit_block(groups, drawn=doubt is not None, site=site))
        blocks.append(_source_block(groups, site, subject.limits))
    if site is not None:
        blocks.append(_length_block(result))
    if doubt is not None:
        blocks.append(_number_block(result, doubt, settings["doubt"]["source"]))
    if not blocks and not further:
        return []
    return paged(blocks + further, result.placed.name, _sub(doubt, site), title)


def _sub(doubt: Doubt | None, site: Mapping[str, Any] | None) -> str:
    if doubt is not None:
        return "how sure: limits and numbers over the draws"
    return "how forgiving" if site is None else f"limits of the site {site['name']}"


def _lead(doubt: Doubt) -> tuple[Block, float]:
    bold = f"Placed {doubt.placement}, a part planned inside the bone leaves it or crosses the joint in "
    bold += f"{_of_draws(doubt.breach_fraction, doubt.draws_count)}."
    said = says_words(doubt)
    if doubt.missed_fraction > 0:
        missed = _of_draws(doubt.missed_fraction, doubt.draws_count)
        said += f" In {missed} the axis misses the bone; these count among them."
    lead: Block = {"kind": "lead", "bold": bold, "words": said, "stop": False}
    return lead, text_height(bold + said, 13, WIDTH_PX, 18)


def _of_draws(share_fraction: float, count: int) -> str:
    """A share of the draws in words.

    >>> _of_draws(0.444, 2000), _of_draws(0.0, 100)
    ('44 % of 2,000 draws', 'none of 100 draws')
    """
    return f"{share_words(share_fraction)} of {count:,} draws"


def _limit_block(
    groups: list[list[SureRow]], *, drawn: bool, site: Mapping[str, Any] | None
) -> tuple[Block, float]:
    rows = []
    for group in groups:
        for place, one in enumerate(group):
            rows.append(
                {
                    "words": one.row.words,
                    "broken": one.row.broken,
                    "value": value_words(one.row),
                    "range": one.range,
                    "svg": Markup("" if one.row.value is None else limit_svg(one.row, LINE_PX)),
                    "reason": "" if one.row.value is not None else one.row.reason,
                    "asked": one.asked if place == 0 else "",
                    "kept": _kept(one) if place == 0 else "",
                    "span": len(group) if place == 0 else 0,
                    "hangs_on": one.hangs_on,
                }
            )
    foot = "Right of the line keeps the limit; dots: 1 mm, 1 thread, 5°, 0.5 mm of gap. Hollow: broken as "
    foot += "planned. "
    if drawn:
        foot += (
            "Bars: 5 to 95 % of the draws, thick where the limit is broken. Kept in: the share of draws that "
        )
        foot += (
            "keep the limit in each of its rows. Hangs most on: the source of doubt that alone spreads the "
        )
        foot += "number most, and its share of the squared spreads of all."
    else:
        foot += "Bars: 5 to 95 %, from the bone's own doubt; how the screw is placed was not drawn."
    said = "usual limits" if site is None else f"limits of the site {site['name']}"
    block: Block = {"kind": "limits", "rows": rows, "drawn": drawn, "note": said, "foot": foot}
    return block, 44 + LIMIT_ROW_PX * len(rows) + text_height(foot, SMALL, WIDTH_PX, SMALL_ROW_PX)


def _kept(one: SureRow) -> str:
    """How often the limit of these rows is kept, in words; nothing where it has no number."""
    if one.row.value is None:
        return ""
    return "not drawn" if one.kept_fraction is None else share_words(one.kept_fraction)


def _source_block(
    groups: list[list[SureRow]], site: Mapping[str, Any] | None, limits: Limits
) -> tuple[Block, float]:
    """Each limit with its source; those a site names beyond the rows above at the end."""
    own: Mapping[str, str] = {} if site is None else site["sources"]
    rows = []
    for group in groups:
        name = group[0].row.name
        source = own.get(name) or LIMIT_SOURCES[name]
        rows.append([LIMITS[name], group[0].asked, words.capital(source)])
    told = {group[0].row.name for group in groups}
    values = {**vars(limits), "tip_apex_mm": None if site is None else site["tip_apex_mm"]}
    for name in own.keys() - told:
        said = f"{words.capital(own[name])}. This screw has no number for it."
        rows.append([LIMITS.get(name, name), f"{values[name]:g}", said])
    heads = [("limit", ""), ("asked", RANGE), ("source", "why")]
    note = "" if site is None else f"{site['title']}"
    block = table("Where the limits come from", note, heads, rows, small=True)
    lines = sum(text_height(row[2], SMALL, WIDTH_PX * SOURCE_OF_WIDTH_FRACTION, SMALL_ROW_PX) for row in rows)
    return block, HEADED_PX + lines + SMALL_PADDING_PX * len(rows)


def _length_block(result: ScrewResult) -> tuple[Block, float]:
    """The site's length rule beside the measured length."""
    head = "The site's length rule"
    if result.site_length is None:
        said = words.ended(words.capital(result.reasons["site_length"]))
        block = table(head, "", [("", "why")], [[said]])
        return block, 24 + text_height(said, SMALL, WIDTH_PX, SMALL_ROW_PX)
    rule = result.site_length
    heads = [
        ("measured, mm", NUM),
        ("at least, mm", NUM),
        ("at most, mm", NUM),
        ("longest stocked, mm", NUM),
        ("planned, mm", NUM),
        ("planned is", "why"),
    ]
    row = [
        words.with_range(written(rule.measured_mm), result.intervals.bone_length_mm),
        *(_or_none(end) for end in (rule.shortest_mm, rule.longest_mm)),
        "none" if rule.longest_stocked_mm is None else f"{rule.longest_stocked_mm:g}",
        f"{result.placed.length_mm:g}",
        {"within": "within the rule", "longer": "longer than the rule", "shorter": "shorter than the rule"}[
            rule.verdict
        ],
    ]
    foot = _rule_words(rule)
    block = table(head, f"measured {rule.definition}", heads, [row], foot)
    # One line of heads, of two that a table may have.
    return block, table_height(block, WIDTH_PX) - SMALL_ROW_PX


def _or_none(end_mm: float | None) -> str:
    return "no limit" if end_mm is None else written(end_mm)


def _rule_words(rule: SiteLength) -> str:
    said = f"{words.ended(rule.rule)} {words.ended(rule.definition_says)}"
    said = said.replace("bone_length_mm", "the bone length")
    if rule.usual_mm is not None:
        said += f" Usual lengths are {rule.usual_mm[0]:g} to {rule.usual_mm[-1]:g} mm."
    if rule.tip_apex_within is not None:
        said += f" The tip–apex distance {'keeps' if rule.tip_apex_within else 'breaks'} its limit."
    return f"{said} Source: {words.ended(rule.source)}"


def _number_block(result: ScrewResult, doubt: Doubt, source: str) -> tuple[Block, float]:
    """What else the draws tell: numbers that no limit stands against."""
    stop = words.has_stop(result)
    rows = [
        [said, *_number(one)]
        for said, one in _told_numbers(result, doubt)
        if not (stop and one.number in FORCES)
    ]
    foot = (
        f"Placed {doubt.placement}: {words.ended(source)} The same seed, {doubt.seed}, gives the same draws. "
    )
    foot += (
        "Not drawn: labels or a level that are wrong as a whole, streaks of metal, cartilage, a hole reamed "
    )
    foot += "wider by hand."
    if stop:
        foot = f"Forces are left out, not for comparison while a stop stands. {foot}"
    heads = [("number", ""), ("estimate", NUM), ("5 to 95 %", RANGE), ("hangs most on", "why")]
    note = f"{doubt.draws_count:,} draws"
    block = table("What else the draws tell", note, heads, rows, foot, small=True)
    height = HEADED_PX + (SMALL_ROW_PX + SMALL_PADDING_PX) * len(rows)
    return block, height + text_height(foot, SMALL, WIDTH_PX, SMALL_ROW_PX)


def _told_numbers(result: ScrewResult, doubt: Doubt) -> Iterator[tuple[str, DrawnNumber]]:
    for name in (
        "bone_length_mm",
        "pull_out.force_n",
        "torque.stripping_n_m",
        "torque.compression_at_advised_n",
        "two_pitch.travel_mm",
    ):
        if (one := number_of(doubt, name)) is not None:
            yield NUMBERS[name], one
    for fragment in result.fragments:
        for name, said in OF_FRAGMENT.items():
            if (one := number_of(doubt, name, fragment.fragment)) is not None:
                yield f"{fragment.fragment_name}: {said}", one


def _number(one: DrawnNumber) -> list[str]:
    digits = digits_of(one.number)
    low, high = written(one.low, digits), written(one.high, digits)
    return [written(one.estimate, digits), low if low == high else f"{low} to {high}", source_words(one)]
