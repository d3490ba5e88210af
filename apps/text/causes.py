"""What opens the gaps, as people read it: the verdict in one sentence, and what removing each limit regains."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from passim.answers.sites import mounting

from ..command_line.output import LONGEST_TABLE, Answer, plain_numbers
from ..command_line.query import QueryResult
from .columns import COUNT, SHARE, TEXT, Column, Format, blank_at_zero, number, of_row
from .gaps import gap_columns, gap_sentence
from .service import sky_alone_words
from .units import LocalClock, counted, duration, share

if TYPE_CHECKING:
    import pandas as pd

    from passim.answers.sites import horizon_cost as skyline
    from passim.coverage import causes

# "Nearly all would close if ...". A limit that is not here is named by its word.
IF_LIFTED = {
    "horizon": "the horizon were open down to {floor:g}°",
    "cone": "the antenna could use the whole sky",
    "arc": "satellites near the geostationary arc could be used",
    "gateway": "the satellite need not see a gateway",
    "serving": "satellites away from their shell served too",
    "share": "every satellite served",
    "excluded": "the satellites left out by number served",
    "handover": "the terminal lost no time at handovers",
}

# What a gateway is and what helps, said once where the verdict of a page is told.
WHAT_A_GATEWAY_IS = "A gateway is a ground station that the satellite must see as well."
_GATEWAY_ALONE = (
    f"{WHAT_A_GATEWAY_IS} Nothing on your roof changes that: move calls to calm hours, or ask the provider."
)
_GATEWAY_TOO = f"{WHAT_A_GATEWAY_IS[:-1]}: for that part, move calls to calm hours, or ask the provider."
_ROOF_LINE = "A freer or higher spot helps with the roof line; the tables below say in which direction."

_PARTS_OF_DAY = ("night", "morning", "afternoon", "evening")
NOT_THE_ROOF = "your roof line is not the cause"
_NEARLY_ALL, _MOST = 0.9, 0.5
# A horizon that gives back less than this part of the time in gaps is not what opens them.
_NEXT_TO_NOTHING = 0.01
# Parts of the day with at least so much of the busiest part's gaps an hour are named with it, and only where they have
# so many times those of the whole span.
_AS_BUSY = 0.7
_CLEARLY_MORE = 1.25
# Fewer gaps an hour than this are told by their number alone.
_FEW_AN_HOUR = 1.5
# Edges are known to a millisecond each, so that less than this over a span is nothing.
_NOTICED_S = 0.05
_DAY_S = 86400.0


def cause_sentence(found: QueryResult, why: causes.Causes) -> str:
    """Return the sentence that says how often service is lost, and what would close the gaps."""
    table = why.table()
    if table.empty:
        nothing = gap_sentence(found, why.coverage.summary(), table)
        return f"{nothing} Neither your roof line nor the sky costs anything. {_sky_alone(found)}".rstrip()
    given_back = {row["limit"]: row for row in why.seconds_by_cause().to_dict("records")}
    return f"{_how_often(found, why, table)}; {_what_closes(found, table, given_back)}: {_verdict(table, given_back)}."


def verdict_first(found: QueryResult, why: causes.Causes) -> tuple[str, str]:
    """Return the same as two sentences, the verdict leading: roof line or not and how often; what would close them."""
    table = why.table()
    if table.empty:
        return gap_sentence(found, why.coverage.summary(), table), _sky_alone(found)
    given_back = {row["limit"]: row for row in why.seconds_by_cause().to_dict("records")}
    verdict = _verdict(table, given_back)
    closes = _who_shares(found, table, given_back) or _what_closes(found, table, given_back)
    return (
        f"{verdict[0].upper()}{verdict[1:]}: {_how_often(found, why, table)}.",
        " ".join([f"{closes[0].upper()}{closes[1:]}.", *_what_helps(table, verdict)]),
    )


def _sky_alone(found: QueryResult) -> str:
    return sky_alone_words(found.visibility.view)


def _what_helps(table: pd.DataFrame, verdict: str) -> list[str]:
    """Return what can be done about the gaps; whatever speaks of a roof says how to stay safe on it."""
    told = []
    closing = table["closed_by"] + ", " + table["closed_by_pairs"]
    if closing.str.contains("gateway").any():
        told.append(_GATEWAY_ALONE if verdict == NOT_THE_ROOF else _GATEWAY_TOO)
    if verdict != NOT_THE_ROOF and closing.str.contains("horizon").any():
        told += [_ROOF_LINE, mounting.MOUNTING_CAUTIONS[0]]
    return told


def amount(seconds: float, span_s: float) -> str:
    """Return seconds found over a span as people compare them: "41 s a day", or "20 s in 12 h" for less than a day."""
    if span_s < _DAY_S:
        return f"{duration(seconds)} in {duration(span_s)}"
    return f"{duration(seconds * _DAY_S / span_s)} a day"


def given_back_sentence(found: QueryResult, why: causes.Causes) -> str:
    """Return the sentence that says the service regained by removing each limit alone."""
    rows = sorted(why.seconds_by_cause().to_dict("records"), key=lambda row: -row["given_back_s"])
    gaps, span_s = counted(len(why.gaps.start), "gap"), found.span.duration_s
    told = [
        f"{row['limit']} {amount(row['given_back_s'], span_s)} ({row['gaps_closed']:,} of {gaps} close)"
        for row in rows
        if row["given_back_s"] >= _NOTICED_S
    ]
    nothing = [row["limit"] for row in rows if row["given_back_s"] < _NOTICED_S]
    if nothing:
        told.append(f"{' and '.join(nothing)} nothing")
    return f"Service regained by removing one limit: {'; '.join(told)}."


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
        return f"No moment of {found.length} is in service."
    if (start, end) == (found.span.start, found.span.end):
        return f"No gap in {found.length}."
    return f"The longest stretch without a gap runs from {found.clock.when(start)} to {found.clock.when(end)}."


def cause_gap_answer(
    command: str, found: QueryResult, why: causes.Causes, *, longest_table: int = LONGEST_TABLE
) -> Answer:
    """Return the answer that lists the gaps with their causes, under the sentence that sums them up."""
    return Answer(
        command,
        cause_sentence(found, why),
        why.table(),
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

    day, start_column, end, length, cut = gap_columns(clock)
    return [
        day,
        replace(start_column, format=of_row(start)),
        end,
        length,
        Column("cause", "Opened by", TEXT),
        Column("missing", "Missing satellite", of_row(missing_words)),
        Column("blocked_by", "Stopped by", of_row(stopped_by_words), 2),
        cut,
    ]


def limit_columns(span_s: float) -> list[Column]:
    """Return the columns of limits and what removing each would regain in a span of so many seconds."""
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


def _how_often(found: QueryResult, why: causes.Causes, table: pd.DataFrame) -> str:
    """Return how many gaps there are where they are thickest, and how long: "9 gaps an hour in the bad hours, ..."."""
    hours = why.coverage.by_local_hour(found.site.timezone)
    hours["part"] = hours["hour"] // 6
    # One day has its own parts; over several days all mornings count together.
    one_day = found.span.duration_s <= 1.5 * _DAY_S
    by = ["date", "part"] if one_day else ["part"]
    parts = hours.groupby(by, sort=False, as_index=False)[["span_s", "gap_s", "gaps_begun"]].sum().to_dict("records")
    # A part of the day that the span hardly touches says nothing of how often.
    longest_s = max(part["span_s"] for part in parts)
    parts = [part for part in parts if part["span_s"] >= 0.5 * longest_s]
    rates = [3600.0 * part["gaps_begun"] / part["span_s"] for part in parts]
    busy = [part for part, rate in zip(parts, rates, strict=True) if rate >= _AS_BUSY * max(rates)]
    begun, out_s, span_s = (sum(part[column] for part in busy) for column in ("gaps_begun", "gap_s", "span_s"))

    an_hour, busy_an_hour = why.coverage.gaps_per_hour(), 3600.0 * begun / span_s
    each = duration(float(table["duration_s"].mean()))
    if len(table) == 1:
        only = table.iloc[0]
        if only["cut_at_start"] and only["cut_at_end"]:
            return f"1 gap, all of {found.length}"
        at_least = "at least " if only["cut_at_start"] or only["cut_at_end"] else ""
        return f"1 gap in {found.length}, {at_least}{each} long"
    longest = table.iloc[int(table["duration_s"].argmax())]
    at_least = "at least " if longest["cut_at_start"] or longest["cut_at_end"] else ""
    out = (
        f"{share(1.0 - why.coverage.covered_fraction())} of the time, the longest "
        f"{at_least}{duration(longest['duration_s'])}"
    )
    if busy_an_hour < _FEW_AN_HOUR:
        return f"{counted(len(table), 'gap')} in {found.length}, about {each} each, {out}"
    if busy_an_hour < _CLEARLY_MORE * an_hour:
        return f"{an_hour:.0f} gaps an hour over {found.length}, about {each} each, {out}"
    often = f"{busy_an_hour:.0f} gaps an hour in the bad hours, {_when(busy)}, about {duration(out_s / begun)} each"
    return f"{often} ({len(table):,} in {found.length}, {an_hour:.1f} an hour over all; {out})"


def _when(busy: list[Any]) -> str:
    """Return the name of parts of one day or of every day: "the night and the morning of Sun 1 Mar", "the mornings"."""
    if "date" not in busy[0]:
        return " and ".join(f"the {_PARTS_OF_DAY[part['part']]}s" for part in busy)
    days = []
    for day, parts in itertools.groupby(busy, key=lambda part: part["date"]):
        names = " and ".join(f"the {_PARTS_OF_DAY[part['part']]}" for part in parts)
        days.append(f"{names} of {day:%a} {day.day} {day:%b}")
    return " and ".join(days)


def _what_closes(found: QueryResult, table: pd.DataFrame, given_back: dict[str, Any]) -> str:
    """Return what would close the gaps: "nearly all would close if the satellite need not see a gateway"."""
    best = max(row["gaps_closed"] for row in given_back.values())
    floor_deg = found.visibility.view.floor_deg
    if best == 0:
        pairs = table.loc[table["closed_by_pairs"] != "", "closed_by_pairs"].tolist()
        if len(pairs) >= _MOST * len(table):
            return f"no limit alone closes any of them, {max(pairs, key=pairs.count)} together most"
        if table["cause"].str.startswith("no satellite").mean() >= _MOST:
            return f"in most of them no satellite stands above {floor_deg:g}° at all"
        return "no limit alone closes any of them"
    lifted = " or if ".join(_lifted(name, floor_deg) for name, row in given_back.items() if row["gaps_closed"] == best)
    part = best / len(table)
    if part == 1.0:
        how_many = "it" if len(table) == 1 else "all"
    elif part >= _NEARLY_ALL:
        how_many = f"nearly all, {best:,} of {len(table):,},"
    else:
        how_many = f"most, {best:,} of {len(table):,}," if part > _MOST else f"no more than {best:,} of {len(table):,}"
    return f"{how_many} would close if {lifted}"


def _who_shares(found: QueryResult, table: pd.DataFrame, given_back: dict[str, Any]) -> str:
    """Return what closes how many where more than one limit closes some: "59 of 125 would close if ..., 49 if ...".

    Empty where one limit closes nearly all, or none closes any: `_what_closes` says it in fewer words.
    """
    closing = sorted(
        ((row["gaps_closed"], name) for name, row in given_back.items() if row["gaps_closed"]),
        key=lambda each: -each[0],
    )
    if len(closing) < 2 or closing[0][0] >= _NEARLY_ALL * len(table):
        return ""
    floor_deg = found.visibility.view.floor_deg
    told = [f"{number:,} if {_lifted(name, floor_deg)}" for number, name in closing]
    told[0] = f"{closing[0][0]:,} of {len(table):,} would close if {_lifted(closing[0][1], floor_deg)}"
    # A gap that either of two limits would close stands in the number of each.
    twice = int(table["closed_by"].str.contains(", ").sum())
    if twice:
        told[-1] += (
            f" ({twice:,} of them by either)" if len(told) == 2 else f" ({twice:,} of them in more than one way)"
        )
    by_none = table["closed_by"] == ""
    if by_none.any():
        paired = (table.loc[by_none, "closed_by_pairs"] != "").all()
        told.append(
            f"{int(by_none.sum()):,} {'only if two limits were lifted together' if paired else 'by no single change'}"
        )
    return ", ".join(told[:-1]) + f" and {told[-1]}"


def _lifted(name: str, floor_deg: float) -> str:
    return IF_LIFTED.get(name, f"the limit {name} were lifted").format(floor=floor_deg)


def _verdict(table: pd.DataFrame, given_back: dict[str, Any]) -> str:
    """Return whether it is the roof line or the sky."""
    horizon = given_back["horizon"]
    closed = [row["gaps_closed"] for row in given_back.values()]
    if 0 < horizon["gaps_closed"] == max(closed):
        return "it is your roof line" if closed.count(max(closed)) == 1 else "your roof line is one of the causes"
    in_pairs = table["closed_by_pairs"].str.contains("horizon").any()
    if horizon["gap_share"] < _NEXT_TO_NOTHING and not in_pairs:
        return NOT_THE_ROOF
    return "your roof line has a part in it"
