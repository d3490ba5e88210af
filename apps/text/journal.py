"""What a record of the line says, in words: how often it froze, when, how long, in step or not, whose fault it was."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from passim.workspace import INVENTED_RECORD

from .answer import span_facts
from .columns import COUNT, DURATION, SHARE, TEXT, Column, Format, day_column, number, of_row
from .line import NOT_TOLD_APART, PLACES, WHERE, no_freeze_sentence
from .notes import Note
from .units import LocalClock, counted, duration, in_a_row, printable, share

if TYPE_CHECKING:
    import pandas as pd

    from passim.line import LineRecord, LineStatistics, Reading, Remark, Suitability

# Fewer freezes than this have no typical length.
_FEW: Final = 3
_MS: Final = Format(lambda value: f"{value:,.0f} ms" if value >= 9.5 else f"{value:,.1f} ms")

NOTHING_MEASURED: Final = "Nothing was measured in this time."
ONLY_HOUSE: Final = "The house was out for all the time measured, so nothing is said of the line."
CAUTION_OF_RECORD: Final = (
    "A record says what the line did to the targets asked, as often as they were asked; it is no promise of what it "
    "will do, and not for emergency calls."
)


def day_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of local days, as `LineStatistics.by_day` gives them."""
    return [
        Column("day_local", "Day", of_row(lambda row: clock.day(row.day_local))),
        Column("measured_s", "Measured", DURATION),
        Column("out_s", "Frozen", DURATION),
        Column("share", "Share", of_row(lambda row: share(row.out_s / row.measured_s), numeric=True)),
        Column("count", "Freezes", COUNT),
    ]


def hour_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of local hours, as `LineStatistics.by_hour` gives them."""
    return [
        Column("hour_local", "Hour", of_row(lambda row: f"{clock.day(row.hour_local)} {clock.minute(row.hour_local)}")),
        Column("measured_s", "Measured", DURATION),
        Column("out_s", "Frozen", DURATION),
        Column("begun", "Begun", COUNT),
    ]


CLOCK_COLUMNS: Final = (
    Column("hour", "Hour", Format(lambda hour: f"{hour:02d}:00", numeric=False)),
    Column("measured_s", "Measured", DURATION),
    Column("out_s", "Frozen", DURATION),
    Column("begun", "Begun", COUNT),
    Column("per_hour", "An hour", number(1)),
)
WHERE_COLUMNS: Final = (
    Column("where", "Where", Format(lambda where: WHERE[where], numeric=False)),
    Column("outages", "Freezes", COUNT),
    Column("out_s", "Together", DURATION),
    Column("share_of_outages", "Share", SHARE),
    Column(
        "bounds",
        "Bounds (95 %)",
        of_row(lambda row: "" if math.isnan(row.low) else f"{share(row.low)} to {share(row.high)}"),
    ),
)
TARGET_COLUMNS: Final = (
    Column("target", "Target", TEXT),
    Column("sent", "Asked", COUNT),
    Column("loss_share", "Lost", SHARE),
    Column("median_ms", "Median", _MS),
    Column("p95_ms", "95th percentile", _MS),
    Column("jitter_ms", "From one to the next", _MS),
)


def minute_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of round trips by minute, as `LineStatistics.by_minute` gives them."""
    return [
        day_column(clock, "minute"),
        Column("minute", "Minute", Format(clock.minute, numeric=False), local=True),
        Column("target", "Target", TEXT),
        Column("sent", "Asked", COUNT, 2),
        Column("lost", "Lost", COUNT),
        Column("median_ms", "Median", _MS),
        Column("p95_ms", "95th percentile", _MS, 1),
        Column("jitter_ms", "From one to the next", _MS),
    ]


def journal_sentence(found: LineStatistics, clock: LocalClock) -> str:
    """Return what the record says, a line each: how often, how long and in step, when, whose fault, what is missing."""
    when = (still_sentence(found), lengths_sentence(found), _train(found), hours_sentence(found))
    lines = [frozen_sentence(found, clock), *filter(None, when)]
    return "\n".join(
        [*lines, *filter(None, (where_sentence(found), _round_trips(found), holes_sentence(found.record)))]
    )


def frozen_sentence(found: LineStatistics, clock: LocalClock) -> str:
    """Return the one sentence that stands first: how often the line froze in what was measured, and the longest."""
    measured = f"{duration(found.measured_s)} measured"
    if found.record.source == INVENTED_RECORD:
        measured += " (an invented record)"
    if found.record.house_alone:
        asked = f"Only the house was asked, {duration(found.measured_s)}"
        return f"{asked}: of the line nothing is known until a host beyond it is asked too."
    if not found.count:
        return f"The line did not freeze in {measured}."
    lengths = found.lengths
    longest = ("at least " if lengths.longest_cut else "") + duration(lengths.longest_s)
    rate = found.per_hour
    bounds = f" (95 %: {_plain(rate.low)} to {_plain(rate.high)})" if not math.isnan(rate.low) else ""
    return (
        f"The line froze {_times(found.count)} in {measured}, {_plain(rate.value)} an hour{bounds}, "
        f"{share(found.out_s / found.measured_s)} of the time; the longest, {longest}, at "
        f"{clock.when(lengths.longest_start)}."
    )


def still_sentence(found: LineStatistics, *, on_pages: bool = False) -> str:
    """Return what it means that the line did not freeze, and what to do then; empty where it did or was not asked."""
    asked = not found.count and not found.record.house_alone
    return no_freeze_sentence(found.measured_s, on_pages=on_pages) if asked else ""


def where_sentence(found: LineStatistics) -> str:
    """Return whose fault the freezes were, and how long the house hid the line; where they are not told apart, that."""
    table = found.by_where[found.by_where["outages"] > 0]
    total = int(found.by_where["outages"].sum())
    if not total:
        return ""
    if not found.record.told_apart and set(table["where"]) <= {"line"}:
        return NOT_TOLD_APART
    parts = [f"{row.outages:,} {PLACES[row.where]}" for row in _each(table)]
    hidden = (
        f"; of the {duration(found.house_s)} in which the house was out nothing is said of the line"
        if found.house_s > 0.0
        else ""
    )
    return f"Of {counted(total, 'freeze')}, {in_a_row(parts)}{hidden}."


def holes_sentence(record: LineRecord, clock: LocalClock | None = None) -> str:
    """Return how much of the span was not measured, of which nothing is said; empty where all was.

    With `clock` it names the longest hole.
    """
    holes, hole_s = len(record.holes), record.span.duration_s - record.measured_s
    if not holes:
        return ""
    longest = ""
    if clock is not None:
        start_s, end_s = max(record.holes.tolist(), key=lambda hole: hole[1] - hole[0])
        start, end = (datetime.fromtimestamp(edge, UTC) for edge in (start_s, end_s))
        which = ", " if holes == 1 else ", the longest "
        longest = f"{which}from {clock.when(start)} to {clock.when(end)}"
    return (
        f"Not measured: {duration(hole_s)} of {duration(record.span.duration_s)}, in {counted(holes, 'hole')}{longest}"
        "; nothing is said of that time."
    )


def added_sentence(record: LineRecord, clock: LocalClock, *, added: bool) -> str:
    """Return what a file holds, and whether that stands in the journal now."""
    return f"{'Added' if added else 'Not added'}: {record_in_brief(record, clock)}."


def record_in_brief(record: LineRecord, clock: LocalClock) -> str:
    """Return what a record is called, what it holds, and from when to when."""
    what = "" if not record.probes else f"{counted(sum(map(len, record.probes)), 'probe')}, "
    what += f"{counted(len(record.outages), 'outage')} in {duration(record.measured_s)} measured"
    return f"{printable(record.source)}, {what}, {clock.stretch(record.span)}"


def reading_notes(*readings: Reading, most: int = 20, on_pages: bool = False) -> list[Note]:
    """Return what was taken for granted as files were read, and each line that was left out; of several by file."""
    notes = []
    for reading in readings:
        told = [_remark(remark, on_pages=on_pages) for remark in reading.remarks]
        for one in reading.left_out[:most]:
            told.append(f"Line {one.line} left out: {printable(one.text)}; wanted {one.wanted}.")
        if len(reading.left_out) > most:
            told.append(f"{len(reading.left_out) - most:,} more lines left out.")
        of = f"{printable(reading.record.source)}: " if len(readings) > 1 else ""
        notes += [Note(f"{of}{words}") for words in told]
    return notes


def _remark(remark: Remark, *, on_pages: bool) -> str:
    """Return what was taken for granted; on the command line with the option that says otherwise."""
    value = remark.value
    option = "" if on_pages else _REMARK_OPTIONS.get(remark.code, "")
    return {
        "clock taken as right": f"Its clock is taken to be right{option}.",
        "times counted": f"It has no times: they are counted from its start, {value:g} s apart{option}.",
        "times stretched": f"Its times are stretched by {value:.4g} to meet the end given.",
        "timeouts counted": (
            f"Each time-out counts as {value:g} s, as its program waits; so outages under {3 * value:g} s are not "
            f"found{option}."
        ),
        "losses from numbers": f"{value:,.0f} probes count as lost because their number is missing.",
        "unwatched nights": "Each day counts from its first note to its last: nothing is known of the rest.",
        "span of events": f"It begins with its first freeze and ends with its last{option}.",
    }[remark.code]


# What the command line can say otherwise.
_REMARK_OPTIONS: Final = {
    "clock taken as right": "; --offset S adds what it was behind, in seconds",
    "times counted": ", or as --every says",
    "timeouts counted": " (--losses 1 counts every time-out)",
    "span of events": ", unless --start and --end say more",
}


def lengths_sentence(found: LineStatistics) -> str:
    """Return how long freezes last and how far they are from each other; empty where there are too few."""
    lengths, spacing = found.lengths, found.spacing
    if lengths.whole < _FEW:
        return ""
    cut = f", {lengths.cut:,} cut ones left out" if lengths.cut else ""
    words = (
        f"A freeze lasts {duration(lengths.median_s)}, nine in ten at most {duration(lengths.p90_s)} (whole ones{cut})"
    )
    if spacing.count < _FEW:
        return f"{words}."
    return (
        f"{words}; from one to the next {duration(spacing.median_s)}, eight in ten {duration(spacing.p10_s)} to "
        f"{duration(spacing.p90_s)}."
    )


def _train(found: LineStatistics) -> str:
    train = found.train
    if train is None:
        return ""
    how = "with their days shuffled" if train.shuffled == "days" else "with freezes moved within their hours"
    by_chance = f"of {train.draws:,} records {how} {share(train.chance)} look as regular"
    if not train.is_train:
        return f"They do not come in step: {by_chance}."
    return (
        f"They come in step, {duration(train.period_s)} or a multiple of it apart, {share(train.strength)} of the way "
        f"from chance to clockwork; {by_chance}."
    )


def hours_sentence(found: LineStatistics) -> str:
    """Return which hour of the day has most freezes, and the longest row of hours without any; empty for too few."""
    table = found.by_clock
    known = table[table["measured_s"] >= 1800.0]
    if found.count < _FEW or len(known) < 4:
        return ""
    worst = max(_each(known), key=lambda row: row.per_hour)
    words = f"Most come in the hour from {worst.hour:02d}:00, {_plain(worst.per_hour)} an hour"
    calm = [bool(row.measured_s >= 1800.0 and row.out_s == 0.0) for row in _each(table)]
    start, length = _longest_run(calm)
    if length >= 2:
        return f"{words}; none from {start:02d}:00 to {(start + length) % 24:02d}:00."
    return f"{words}."


def _longest_run(calm: Sequence[bool]) -> tuple[int, int]:
    """Return start and length of the longest run of hours that are calm, over midnight too."""
    best, run = (0, 0), 0
    for k in range(48):
        run = run + 1 if calm[k % 24] else 0
        if run > best[1] and run <= 24:
            best = ((k - run + 1) % 24, run)
    return best


def _round_trips(found: LineStatistics) -> str:
    parts = [
        f"{printable(row.target)} {_MS.words(row.median_ms)} (95th percentile {_MS.words(row.p95_ms)}, "
        f"{_MS.words(row.jitter_ms)} from one to the next)"
        for row in _each(found.round_trips)
        if not math.isnan(row.jitter_ms)
    ]
    return f"Round trips, median: {'; '.join(parts)}." if parts else ""


def _each(table: pd.DataFrame) -> Iterator[Any]:
    yield from table.itertuples(index=False)


def _times(count: int) -> str:
    return "once" if count == 1 else "twice" if count == 2 else f"{count:,} times"


def _plain(rate: float) -> str:
    """Return a rate as people say it: 12, 3.6, 0.21."""
    return f"{rate:.0f}" if rate >= 9.95 else f"{rate:.1f}" if rate >= 0.95 else f"{rate:.2g}"


def record_facts(found: Suitability) -> dict[str, Any]:
    """Return whose record it is, from when to when, and how much of it tells of the line, as JSON holds it."""
    record = found.record
    return {
        "span": span_facts(record.span),
        "source": record.source,
        "measured_s": round(found.measured_s, 6),
        "hole_count": len(record.holes),
    }


def facts_of(found: LineStatistics) -> dict[str, Any]:
    """Return the figures of a record as JSON holds them."""

    def plain(value: float) -> float | None:
        return None if math.isnan(value) else round(float(value), 6)

    train, rate = found.train, found.per_hour
    return {
        "zone": found.timezone,
        "measured_s": plain(found.measured_s),
        "hole_s": plain(found.hole_s),
        "house_s": plain(found.house_s),
        "hole_count": len(found.record.holes),
        "freezes": found.count,
        "frozen_s": plain(found.out_s),
        "freezes_per_hour": plain(rate.value),
        "freezes_per_hour_low": plain(rate.low),
        "freezes_per_hour_high": plain(rate.high),
        "length_median_s": plain(found.lengths.median_s),
        "length_p90_s": plain(found.lengths.p90_s),
        "length_longest_s": plain(found.lengths.longest_s),
        "lengths_cut": found.lengths.cut,
        "spacing_median_s": plain(found.spacing.median_s),
        "train": None
        if train is None
        else {
            "period_s": plain(train.period_s),
            "strength": plain(train.strength),
            "chance": plain(train.chance),
            "shuffled": train.shuffled,
        },
        "by_where": [
            {
                "where": row.where,
                "outages": int(row.outages),
                "out_s": plain(row.out_s),
                "share": plain(row.share_of_outages),
            }
            for row in _each(found.by_where)
        ],
    }
