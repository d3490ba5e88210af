"""What opens the gaps, as people read it: the verdict in one sentence, and what removing each limit regains."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from passim.coverage import BusyParts, RoofLine, Verdict

from .answer import LONGEST_TABLE, Answer, plain_numbers
from .columns import COUNT, SHARE, TEXT, Column, Format, blank_at_zero, number, of_row, placed
from .gaps import gap_columns, gap_sentence
from .limits import NO_ROOF_LINE, cause_label, descriptions, if_lifted, in_words
from .mounting import MOUNTING_CAUTIONS
from .pages import DRAW_ROOF_LINE
from .query import QueryResult
from .service import frozen_anyway_words, other_causes_words
from .units import LocalClock, capital, counted, duration, in_a_row, share

if TYPE_CHECKING:
    import pandas as pd

    from passim import View
    from passim.answers.sites import horizon_cost as skyline
    from passim.coverage import causes

# What a gateway is and what helps, said once where the verdict of a page is told.
_A_GATEWAY = "A gateway is a ground station that the satellite must see as well"
WHAT_A_GATEWAY_IS = f"{_A_GATEWAY}."
_GATEWAY_ALONE = (
    f"{WHAT_A_GATEWAY_IS} Nothing on your roof changes that: move calls to calm hours, or ask the provider."
)
_GATEWAY_TOO = f"{_A_GATEWAY}: for that part, move calls to calm hours, or ask the provider."
NEVER_ADD_UP = (
    "The seconds of several limits must not be added up: a gap that either of two would close counts under both, and "
    "one that only the two together close counts under neither."
)
_FREER_SPOT = "A more open or higher spot helps with the roof line; the sectors of the horizon say in which direction."

_PARTS_OF_DAY = ("night", "morning", "afternoon", "evening")
ROOF_NOT_THE_CAUSE = "Your roof line is not the cause"
_NOT_ENTERED = capital(NO_ROOF_LINE)
_COSTS_UNKNOWN = "what it costs is not known until it is entered"
_ROOF_LINE = {
    RoofLine.NOT_ENTERED: _NOT_ENTERED,
    RoofLine.THE_CAUSE: "It is your roof line",
    RoofLine.ONE_OF_THE_CAUSES: "Your roof line is one of the causes",
    RoofLine.A_PART: "Your roof line plays a part",
    RoofLine.NOT_THE_CAUSE: ROOF_NOT_THE_CAUSE,
}
_NEARLY_ALL, _MOST = 0.9, 0.5
# The busiest parts of the day are named only where they have so many times the gaps an hour of the whole span.
_CLEARLY_MORE = 1.25
# Fewer gaps an hour than this are told by their number alone.
_FEW_AN_HOUR = 1.5
# Edges are known to a millisecond each, so that less than this over a span is nothing.
_NOTICED_S = 0.05
_DAY_S = 86400.0


@dataclass(frozen=True)
class CauseWords:
    """The verdict in words, the same on every face: roof line or not and how often; what that is in all, what helps.

    Where the sky shows no cause, ``beside`` the headline stands what to do if calls freeze all the same.
    """

    headline: str
    detail: str
    beside: str = ""

    @property
    def lines(self) -> list[str]:
        """What there is of them, a line each."""
        return [line for line in (self.headline, self.beside, self.detail) if line]


def cause_words(found: QueryResult, why: causes.Causes, *, on_sky: bool = False) -> CauseWords:
    """Return the verdict on what opens the gaps, in words; ``on_sky`` in those of the page Sky."""
    verdict = why.verdict()
    not_entered = verdict.roof_line is RoofLine.NOT_ENTERED
    draw = f"{DRAW_ROOF_LINE}: {_COSTS_UNKNOWN}." if on_sky else f"Enter your roof line: {_COSTS_UNKNOWN}."
    clear = f"with a clear view above {why.visibility.view.site.horizon.lowest_deg:g}° all round"
    if verdict.busiest is None:
        nothing = gap_sentence(found, why.coverage.summary(), why.coverage.gaps())
        if not_entered:
            return CauseWords(f"{_NOT_ENTERED}; {clear}: {nothing[0].lower()}{nothing[1:]}", draw)
        neither = "neither your roof line nor the sky costs you any service"
        none = f"No gap in {found.length}: by the limits set up here, {neither}."
        return CauseWords(none, other_causes_words(on_sky=on_sky), frozen_anyway_words(on_pages=on_sky))
    floor_deg = found.visibility.view.floor_deg
    closes = _who_shares(verdict, floor_deg) or _what_closes(verdict, floor_deg)
    how_often, in_all = _how_often(verdict, verdict.busiest, found.length)
    helps = [*in_all, f"{capital(closes)}.", *_what_helps(verdict, on_pages=on_sky)]
    if not_entered:
        return CauseWords(f"{_NOT_ENTERED}; {clear}: {how_often}.", " ".join([draw, *helps]))
    return CauseWords(f"{_ROOF_LINE[verdict.roof_line]}: {how_often}.", " ".join(helps))


def cause_in_brief(verdict: Verdict, floor_deg: float) -> str:
    """Return the verdict in one sentence: roof line or not, and what would close the gaps; empty without a gap."""
    if verdict.busiest is None:
        return ""
    closes = _who_shares(verdict, floor_deg, " gaps") or _what_closes(verdict, floor_deg, " gaps")
    brief = f"{_ROOF_LINE[verdict.roof_line]}: {closes}."
    if not verdict.closed_alone.get("gateway"):
        return brief
    return f"{brief} {_GATEWAY_ALONE if verdict.roof_line is RoofLine.NOT_THE_CAUSE else WHAT_A_GATEWAY_IS}"


def _what_helps(verdict: Verdict, *, on_pages: bool) -> list[str]:
    """Return what can be done about the gaps; whatever speaks of a roof says how to stay safe on it."""

    def closes_some(limit: str) -> bool:
        return bool(verdict.closed_alone.get(limit) or verdict.closed_together.get(limit))

    parts = []
    roof_is_clear = verdict.roof_line is RoofLine.NOT_THE_CAUSE
    not_entered = verdict.roof_line is RoofLine.NOT_ENTERED
    if closes_some("gateway"):
        parts.append(_GATEWAY_ALONE if roof_is_clear else _GATEWAY_TOO)
        if on_pages:
            parts.append("Calm hours are on the page Calls.")
    if not (roof_is_clear or not_entered) and closes_some("horizon"):
        parts += [_FREER_SPOT, MOUNTING_CAUTIONS[0]]
    return parts


def amount(seconds: float, span_s: float) -> str:
    """Return seconds found over a span as people compare them: "41 s a day", or "20 s in 12 h" for less than a day."""
    if span_s < _DAY_S:
        return f"{duration(seconds)} in {duration(span_s)}"
    return f"{duration(seconds * _DAY_S / span_s)} a day"


def given_back_sentence(found: QueryResult, why: causes.Causes) -> str:
    """Return the sentence that says the service regained by removing each limit alone."""
    rows = sorted(why.seconds_by_cause().to_dict("records"), key=lambda row: -row["given_back_s"])
    gaps, span_s = counted(len(why.gaps.start), "gap"), found.span.duration_s
    parts = [
        f"{in_words(row['limit'])} {amount(row['given_back_s'], span_s)} ({row['gaps_closed']:,} of {gaps} close)"
        for row in rows
        if row["given_back_s"] >= _NOTICED_S
    ]
    nothing = [in_words(row["limit"]) for row in rows if row["given_back_s"] < _NOTICED_S]
    if nothing:
        parts.append(f"{' and '.join(nothing)} nothing")
    return f"Service regained by removing one limit: {'; '.join(parts)}."


def sector_sentence(found: QueryResult, sectors: pd.DataFrame) -> str:
    """Return the sentence that names the direction in which the skyline costs most."""
    worst = max(sectors.to_dict("records"), key=lambda row: row["given_back_s"])
    if worst["given_back_s"] < _NOTICED_S:
        return "No single sector of the horizon, lowered alone, would regain any service."
    return (
        f"The skyline costs most at {worst['from_deg']:g}-{worst['to_deg']:g}°: lowered there alone it would regain "
        f"{amount(worst['given_back_s'], found.span.duration_s)}."
    )


def lowering_sentence(from_deg: float, to_deg: float, by_deg: float, what_if: skyline.WhatIf) -> str:
    """Return the sentence that says what lowering a stretch of the horizon gives back."""
    change = "Lowering" if by_deg >= 0.0 else "Raising"
    start = f"{change} the horizon at {from_deg:g}-{to_deg:g}° by {abs(by_deg):g}° would"
    seconds = what_if.given_back_s
    gaps = f"{counted(what_if.gap_count_after, 'gap')} instead of {what_if.gap_count_before:,}"
    if abs(seconds) < _NOTICED_S:
        return f"{start} change nothing."
    return f"{start} {'regain' if seconds > 0.0 else 'cost'} {amount(abs(seconds), what_if.span_s)} ({gaps})."


def clear_sentence(found: QueryResult, why: causes.Causes) -> str:
    """Return the sentence that names the longest stretch without a gap."""
    start, end = why.coverage.longest_clear()
    if start == end:
        return f"There is no service at any moment of {found.length}."
    if (start, end) == (found.span.start, found.span.end):
        return f"No gap in {found.length}."
    return f"The longest stretch without a gap runs from {found.clock.when(start)} to {found.clock.when(end)}."


def cause_gap_answer(
    command: str, found: QueryResult, why: causes.Causes, *, longest_table: int = LONGEST_TABLE
) -> Answer:
    """Return the answer that lists the gaps with their causes, under the sentence that sums them up."""
    return Answer(
        command,
        "\n".join(cause_words(found, why).lines),
        why.table,
        cause_gap_columns(found.clock),
        found.notes,
        {**found.facts, "summary": plain_numbers(why.coverage.summary())},
        found.clock,
        longest_table=longest_table,
    )


def cause_gap_columns(clock: LocalClock, chosen: pd.Timestamp | None = None) -> list[Column]:
    """Return the columns of gaps with what opened them; the gap that begins at `chosen` is marked."""

    def start(row: Any) -> str:
        return f"{'▶ ' if chosen is not None and row.start == chosen else ''}{clock.time(row.start)}"

    opening = [
        Column("cause", "Opened by", Format(cause_label, numeric=False)),
        Column("missing", "Missing satellite", of_row(missing_words)),
        Column("blocked_by", "Stopped by", of_row(stopped_by_words), 2),
    ]
    columns = placed(gap_columns(clock), "cut", opening)
    return [replace(one, format=of_row(start)) if one.key == "start" else one for one in columns]


def limit_rows(seen: View, given_back: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of `Causes.seconds_by_cause` with what each limit is, in words."""
    rows = given_back.copy()
    rows.insert(1, "description", rows["limit"].map(descriptions(seen)))
    return rows


def limit_columns(span_s: float) -> list[Column]:
    """Return the columns of `limit_rows`: limits and what removing each would regain in a span of so many seconds."""
    return [
        Column("limit", "Limit", TEXT),
        Column("description", "What it is", TEXT, below=True),
        Column("given_back_s", "Service regained", Format(lambda seconds: amount(seconds, span_s))),
        Column("gap_share", "Of the gaps", SHARE),
        Column("gaps_closed", "Gaps closed", COUNT),
        Column("gaps_shortened", "Gaps shortened", COUNT, 1),
    ]


def sector_columns(span_s: float) -> list[Column]:
    """Return the columns of sectors of the horizon and what each costs in a span of so many seconds."""
    return [
        Column("sector", "From north", of_row(lambda row: f"{row.from_deg:g}° to {row.to_deg:g}°")),
        Column("horizon_highest_deg", "Skyline up to", number(1, "°")),
        Column("given_back_s", "Service regained", blank_at_zero(Format(lambda seconds: amount(seconds, span_s)))),
        Column("gaps_closed", "Gaps closed", blank_at_zero(COUNT)),
    ]


def missing_words(row: Any) -> str:
    """Return where the missing satellite stood: "NE, 42° high"; empty where none was above the floor."""
    return f"{row.missing_direction}, {row.missing_elevation_deg:.0f}° high" if row.missing_direction else ""


def stopped_by_words(row: Any) -> str:
    """Return what stopped the missing satellite; empty where that is the cause itself, which is told already."""
    return "" if row.blocked_by == row.cause else str(row.blocked_by)


def _how_often(verdict: Verdict, busiest: BusyParts, length: str) -> tuple[str, list[str]]:
    """Return how many gaps there are where they are thickest, and how long, in few words; then what that is in all."""
    count, an_hour, each = verdict.gap_count, verdict.gaps_per_hour, duration(verdict.mean_s)
    at_least = "at least " if any(verdict.longest_cut) else ""
    if count == 1:
        one = f"1 gap, all of {length}" if all(verdict.longest_cut) else f"1 gap in {length}, {at_least}{each} long"
        return one, []
    out = f"{share(verdict.out_fraction)} of the time; the longest, {at_least}{duration(verdict.longest_s)}."
    if busiest.gaps_per_hour < _FEW_AN_HOUR:
        return f"{counted(count, 'gap')} in {length}, about {each} each", [f"That is {out}"]
    in_all = [f"That is {count:,} in {length}, {an_hour:.1f} an hour overall, {out}"]
    if busiest.gaps_per_hour < _CLEARLY_MORE * an_hour:
        return f"{an_hour:.0f} gaps an hour over {length}, about {each} each", in_all
    often = f"{busiest.gaps_per_hour:.0f} gaps an hour in {_when(busiest)}, about {duration(busiest.mean_s)} each"
    return often, in_all


def _when(busiest: BusyParts) -> str:
    """Return the name of parts of one day or of every day: "the night and the morning of Sun 1 Mar", "the mornings"."""
    days = []
    for day, parts in itertools.groupby(busiest.parts, key=lambda part: part[0]):
        many = "s" if day is None else ""
        names = " and ".join(f"the {_PARTS_OF_DAY[part]}{many}" for _, part in parts)
        days.append(names if day is None else f"{names} of {day:%a} {day.day} {day:%b}")
    return " and ".join(days)


def _what_closes(verdict: Verdict, floor_deg: float, noun: str = "") -> str:
    """Return what would close the gaps: "nearly all would close if the satellite did not have to see a gateway".

    ``noun``, such as " gaps", follows the number where no sentence before has named them.
    """
    count, leading = verdict.gap_count, verdict.leading
    if not leading:
        if verdict.only_by_pairs >= _MOST * count:
            together = ", ".join(" with ".join(pair) for pair in verdict.pairs)
            return f"no limit alone closes any of them; {together} together close most"
        if verdict.out_of_sky >= _MOST * count:
            return f"in most of them no satellite stands above {floor_deg:g}° at all"
        return "no limit alone closes any of them"
    best = verdict.closed_alone[leading[0]]
    lifted = " or if ".join(if_lifted(name, floor_deg) for name in leading)
    part = best / count
    if part == 1.0:
        how_many = "it" if count == 1 else f"all{noun}"
    elif part >= _NEARLY_ALL:
        how_many = f"nearly all{noun}, {best:,} of {count:,},"
    else:
        of_all = f"{best:,} of {count:,}"
        how_many = f"most{noun}, {of_all}," if part > _MOST else f"no more than {of_all}{noun}"
    return f"{how_many} would close if {lifted}"


def _who_shares(verdict: Verdict, floor_deg: float, noun: str = "") -> str:
    """Return what closes how many where more than one limit closes some: "59 of 125 would close if ..., 49 if ...".

    Empty where one limit closes nearly all, or none closes any: `_what_closes` says it in fewer words.
    """
    closing = sorted(((number, name) for name, number in verdict.closed_alone.items() if number), key=lambda e: -e[0])
    count = verdict.gap_count
    if len(closing) < 2 or closing[0][0] >= _NEARLY_ALL * count:
        return ""
    parts = [f"{number:,} if {if_lifted(name, floor_deg)}" for number, name in closing]
    parts[0] = f"{closing[0][0]:,} of {count:,}{noun} would close if {if_lifted(closing[0][1], floor_deg)}"
    # A gap that either of two limits would close stands in the number of each.
    twice = verdict.several_ways
    if twice:
        parts[-1] += (
            f" ({twice:,} of them by either)" if len(parts) == 2 else f" ({twice:,} of them in more than one way)"
        )
    by_none = verdict.by_no_single
    if by_none:
        paired = verdict.only_by_pairs == by_none
        parts.append(f"{by_none:,} {'only if two limits were lifted together' if paired else 'by no single change'}")
    return in_a_row(parts)
