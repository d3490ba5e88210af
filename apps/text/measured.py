"""The page Measured in words: what is recorded by now, what it shows beside the forecast, and how a record is begun."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from passim.line import LOSSES, statistics as line_statistics

from .causes import cause_in_brief
from .journal import hours_sentence
from .line import PLACES, how_long_sentences
from .reconcile import as_forecast, mostly_as_forecast, next_step
from .suitability import is_long_enough, uses_sentence
from .units import LocalClock, capital, counted, duration, in_a_row, listed, printable

if TYPE_CHECKING:
    from passim.coverage import Verdict
    from passim.line import LineComparison, LineRecord, LineStatistics, Suitability, Target

# A probe that sent nothing for so many of its intervals, and seconds, is no longer at work.
_SILENT: Final = (3.0, 6.0)
NOTHING_YET: Final = "Nothing has been recorded of this line yet."
JUST_BEGUN: Final = "Recording has begun; its first figures come within two minutes."
_LEAVE_IT: Final = "You may close this page meanwhile, but leave passim running."
_MEANWHILE: Final = (
    " Meanwhile the page Elements tells, under “How older elements did”, how well forecasts from older elements agreed "
    "with newer ones."
)
NOTHING_TO_COMPARE: Final = "Nothing to compare with: the fleet chosen is invented."
COMPARING: Final = "What had been forecast for these days is being worked out."
SWITCH_LABEL: Final = "Record from this machine while this dashboard runs"
NO_TARGETS: Final = (
    "Nothing can be recorded from here until you name what to ask: your own router first, and two hosts beyond your "
    "line after it."
)
NAME_TARGETS: Final = "Name them on the page Setup"
NAME_OFFERED: Final = "Name these hosts"
NAME_OTHERS: Final = "Name others on the page Setup"
CHANGE_TARGETS: Final = "Change what is asked"
MORE_TARGETS: Final = "Name one more host on the page Setup"
REHEARSAL: Final = (
    "The clock of this dashboard was set, so nothing is recorded from here: a record is of the real time."
)
OVER_ALL_HOURS: Final = "That is over all hours measured; the page Calls names the calm ones."
ADD_TITLE: Final = "Add a record that you have already"
ADD_FILES: Final = "Choose files, or drop them here"
ADD_WHAT: Final = (
    "A log of ping, a table (CSV) of answers or freezes, a calendar of bad calls, or your own notes, such as “08:14 "
    "froze 20 s” on a line. Two logs kept at the same time, one of your own router and one of a host beyond your line, "
    "make one record: choose both at once. Up to {most} files at once, {megabytes:g} MB in all."
)
ADD_LOST: Final = "This is the invented demonstration: what you add is lost when it ends."
ADD_MORE: Final = "What the files do not say themselves"
ADD_EMPTY: Final = "Fill in only what passim asks for; what the files say themselves need not be said again."
ADD_GO: Final = "Add the record"
# What can be said of a record in the place of its files: a label, and an example of what to write.
RECORD_FIELDS: Final = {
    "nearest": ("Which of them is the log of your own router?", ""),
    "start": ("When it begins (date and time)", "2026-11-25 08:00"),
    "end": ("When it ends (date and time)", "2026-11-25 18:00"),
    "zone": ("Time zone of the clock that wrote it", "Atlantic/Azores"),
    "every_s": ("Seconds from one line to the next", "1"),
    "offset_s": ("Seconds by which its clock was slow", "0"),
    "time": ("Column with the time of each row", "Date"),
    "round_trip_ms": ("Column with the answer time, in milliseconds", "Latency"),
    "answered": ("Or the column that says whether an answer came", "Answered"),
    "start_column": ("For freezes: column with when one began", "From"),
    "duration_s": ("Column with how many seconds it lasted", "Seconds"),
    "end_column": ("Or the column with when it ended", "To"),
    "name": ("What to call the record", "upstairs"),
}
REMOVE_TITLE: Final = "Remove a record that was added"
REMOVE_WHAT: Final = (
    "The record chosen above goes out of the journal, and nothing is lost: it is set aside in the workspace and can be "
    "brought back. What passim's own probe recorded stays."
)
REMOVE_SHOW, REMOVE_GO, BRING_BACK = "Remove the record chosen…", "Remove it", "Bring it back"
BRING_BACK_WHICH: Final = "Removed records:"
REPLACE: Final = "Replace the record that has this name"
STRICT: Final = "Refuse files with a damaged line; otherwise up to 1 line in 100 is left out and named"
STARTED: Final = "Recording."
STOPPED: Final = "Switched off. What was recorded stays in the journal."


def offered_sentence(names: Sequence[tuple[str, str]]) -> str:
    """Say which hosts one button names, each by its name and address, and that none of them is asked before."""
    hosts = in_a_row([f"{name} ({address})" for name, address in names])
    return f"This machine's own settings know {hosts}. None is asked before you switch the recording on."


def how_to_begin(*, named: bool, rehearsal: bool, offered: bool = False, judged: bool = True) -> str:
    """Say what to do first where nothing is recorded yet, and how long to record; `named` are whom to ask.

    `offered` says that one button names them, `judged` that the record judges the forecast of the fleet chosen.
    """
    if rehearsal:
        return "Add a record that you have already, below: nothing can be recorded while this dashboard's clock is set."
    setup = "Name the hosts to ask on the page Setup, your own router first; then come back here and switch"
    button = f"Press “{NAME_OFFERED}”, then switch"
    first = "Switch" if named else button if offered else setup
    return f"{first} on “{SWITCH_LABEL}”. {how_long_sentences(judged=judged)}"


def while_recording(*, judged: bool = True) -> str:
    """Say how long to record, once it has begun."""
    return f"{how_long_sentences(judged=judged)} {_LEAVE_IT}"


def no_record_words(*, invented: bool) -> str:
    """Say what will stand in the place of the picture; an `invented` fleet has no older elements to judge meanwhile."""
    return (
        "Freezes recorded will stand here, day by day, with the gaps forecast under them. Have you a record already, "
        f"such as a log of ping or your own notes? Add it below.{'' if invented else _MEANWHILE} On a computer that "
        "never sleeps, the command passim probe records without this page."
    )


def would_remove(record: str) -> str:
    """Say what would go out of the journal, as `record_in_brief` has it."""
    return f"This record would go: {record}."


def removed(source: str, name: str) -> str:
    """Say that a record went, and under which name it is set aside."""
    called = "" if name == source else f", as {printable(name)}"
    return f"Removed: {printable(source)}. It is set aside{called}, and comes back by the button below."


def brought_back(name: str) -> str:
    """Say that a record is in the journal again."""
    return f"Brought back: {printable(name)}."


def too_few_sentence(comparison: LineComparison) -> str:
    """Say that too little has happened to judge the forecast by; empty where enough has."""
    if max(as_forecast(comparison)[1], comparison.forecast) >= line_statistics.FEWEST_FREEZES:
        return ""
    return f"That is too little to judge the forecast by: it takes {line_statistics.FEWEST_FREEZES} freezes."


def asks_sentence(targets: Sequence[Target], every_s: float) -> str:
    """Say whom the switch asks, and how often, so that nobody is asked unawares."""
    names = listed([f"{target.name} ({target.host})" for target in targets], 6)
    return f"It asks {names} every {every_s:g} s whether they answer, and nobody else."


_AS_FORECAST: Final = {
    "strong": "Freezes come as forecast",
    "some": "Some freezes come as forecast",
    "none": "Freezes do not come as forecast",
}
# A record that ended so long ago is told when it did.
_ENDED_BEFORE: Final = timedelta(hours=1)


def lead_sentence(comparison: LineComparison) -> str:
    """Say in one breath whether the freezes of the line came as forecast; empty where too few could be judged."""
    hits, total = as_forecast(comparison)
    if total < line_statistics.FEWEST_FREEZES:
        return ""
    luck, evidence = comparison.hits_by_luck, comparison.evidence
    opening = _AS_FORECAST["some" if evidence == "strong" and not mostly_as_forecast(comparison) else evidence]
    return (
        f"{opening}: {hits:,} of {total:,} in {duration(comparison.measured_s)} measured; by "
        f"luck it would have been {luck:,.0f}."
    )


def advice_sentence(comparison: LineComparison, verdict: Verdict, floor_deg: float) -> str:
    """Say what to do next, and where the forecast is right, whether the roof line is to blame for what it forecasts."""
    sentences = [next_step(comparison, on_pages=True)]
    if comparison.evidence != "none" and mostly_as_forecast(comparison):
        sentences.append(cause_in_brief(verdict, floor_deg))
    return " ".join(words for words in sentences if words)


def elsewhere_sentences(comparison: LineComparison, line: str, here: str) -> tuple[str, str]:
    """Say that the record is not of the place whose forecast stands beside it, and how far the two agree."""
    hits, total = as_forecast(comparison)
    gaps = comparison.forecast
    than = "more than" if gaps > total else "fewer than" if gaps < total else "as many as"
    return (
        f"The record is taken to be that of {line}: of its {counted(total, 'freeze')} {hits:,} fall into gaps forecast "
        f"for {here}.",
        f"For {here} {counted(gaps, 'gap')} would have been forecast in that time, {than} the line of {line} had "
        "freezes; the page Sites compares the places. Whether the forecast is right is told where the record was made: "
        f"choose {line} above.",
    )


def record_figures(found: LineStatistics, comparison: LineComparison | None) -> list[tuple[str, str]]:
    """Return the figures beside the picture: how many freezes, the longest, how many came as forecast."""
    if not found.count:
        return []
    figures = [(f"{found.count:,}", "freezes of the line"), (duration(found.lengths.longest_s), "the longest")]
    if comparison is not None and comparison.evidence != "none":
        hits, total = as_forecast(comparison)
        figures.append((f"{hits:,} of {total:,}", "came as forecast"))
    return figures


def clock_caption(found: LineStatistics, comparison: LineComparison | None, now: datetime) -> str:
    """Say what to see in the picture of days: which marks are which, when, the worst day, what was not measured."""
    sentences = [
        "Each mark is a freeze." if comparison is None else "Upper row: freezes recorded; lower row: gaps forecast.",
        hours_sentence(found),
    ]
    days, clock = found.by_day, LocalClock(found.timezone, found.span)
    whole = days[days["whole"]]
    if len(whole) >= 2 and whole["out_s"].any():
        worst = whole.iloc[int(whole["out_s"].argmax())]
        sentences.append(f"The line was frozen longest on {clock.day(worst['day_local'])}, {duration(worst['out_s'])}.")
    if found.house_s > 0.0:
        sentences.append(f"Besides, your own router was out for {duration(found.house_s)}.")
    if len(found.record.holes):
        sentences.append("Blank: not measured.")
    if now - found.span.end >= _ENDED_BEFORE:
        sentences.append(f"The record ends at {clock.when(found.span.end)}.")
    return " ".join(words for words in sentences if words)


def day_caption(found: LineStatistics, day: date, elsewhere: Mapping[str, int], forecast: int | None) -> str:
    """Say of one local day how often the line froze, and how many gaps had been forecast for what was measured.

    ``elsewhere`` says how many freezes of the day lie in the house and at the far end.
    """
    rows = found.by_day[found.by_day["date"] == day]
    words = f"{day:%a} {day.day} {day:%b}"
    if rows.empty or rows["measured_s"].iloc[0] <= 0.0:
        return f"{words}: nothing was measured of the line."
    of_day = rows.iloc[0]
    count, measured_s = int(of_day["count"]), float(of_day["measured_s"])
    sentence = f"{words}: {counted(count, 'freeze')} of the line in {duration(measured_s)} measured"
    if forecast is not None:
        sentence += f"; {counted(forecast, 'gap')} forecast for that time"
    others = [f"{elsewhere[where]:,} {PLACES[where]}" for where in ("house", "far") if elsewhere.get(where)]
    return f"{sentence}. Besides, {' and '.join(others)}." if others else f"{sentence}."


def uses_caption(found: Suitability) -> str:
    """Say what the line is good for, and where that is known, over which hours."""
    return f"{uses_sentence(found)} {OVER_ALL_HOURS}" if is_long_enough(found) else uses_sentence(found)


def bar_words(count: int, out_s: float) -> str:
    """Return what stands at the bar of a part of the way."""
    return "none" if not count else f"{counted(count, 'freeze')}, {duration(out_s)}"


def unmatched_words(why: str) -> str:
    """Say why a record stands beside no forecast."""
    return f"It cannot be set beside a forecast: {why}."


def untold_words(why: str) -> str:
    """Say why a record tells nothing of what stands in the way."""
    return f"The record does not tell that yet: {why}."


def live_sentence(record: LineRecord | None, now: datetime, clock: LocalClock, *, running: bool) -> str:
    """Say whether the line answers now, when it last froze, and how often in the hour that `record` ends with.

    `record` is that hour of the own probe's record, None where it has none; `running` says that this dashboard records.
    """
    sends = [] if record is None else [each for each in record.probes if len(each)]
    if record is None or not sends:
        return "Recording; nothing has answered yet." if running else "Nothing is being recorded."
    latest_s = max(float(each.sent_s[-1]) for each in sends)
    age_s = now.timestamp() - latest_s
    where = record.outages["where"]
    in_house, frozen = record.outages[where == "house"], record.outages[where == "line"]
    over = _over_the_hour(record, min(float(each.sent_s[0]) for each in sends), latest_s, now)
    hour = f"{counted(len(frozen), 'freeze')} {over}" if len(frozen) else f"no freeze {over}"
    if len(in_house):
        hour += f", and {len(in_house):,} in the house"
    if age_s > max(_SILENT[0] * (record.period_s or 0.0), _SILENT[1]):
        return f"Not recording: the last probe was sent {duration(age_s)} ago; {hour}."
    hosts = hosts_sentence(record, clock)
    rows: list[Any] = list(record.outages[where != "far"].itertuples(index=False))
    under_way = rows[-1] if rows else None
    if under_way is not None and under_way.cut_at_end and under_way.end.timestamp() >= latest_s:
        since = duration(max(0.0, (now - under_way.start).total_seconds()))
        return f"No answer since {clock.time(under_way.start)}, {since}, {PLACES[under_way.where]}; {hour}. {hosts}"
    rows = list(frozen.itertuples(index=False))
    last = rows[-1] if rows else None
    trips = [float(each.round_trip_s[~each.lost][-1]) for each in sends if not each.lost.all()]
    last_words = "" if last is None else f"; the last freeze at {clock.time(last.start)}, {duration(last.duration_s)}"
    answers = f"answering, {1000.0 * max(trips):.0f} ms" if trips else "no answer yet"
    if not running:
        # Another probe may be at work, or this one was just switched off: what is known of either is its last probe.
        answered = f", and the last answer took {1000.0 * max(trips):.0f} ms" if trips else ", without an answer so far"
        answers = f"the last probe was sent {duration(max(0.0, age_s))} ago{answered}"
    return f"{capital(answers)}; {hour}{last_words}. {hosts}"


def _over_the_hour(record: LineRecord, first_s: float, latest_s: float, now: datetime) -> str:
    """Say over how much of the hour of `record`, sent between `first_s` and `latest_s`, its freezes are counted."""
    slack_s = 2.0 * _SILENT[1]
    if record.span.duration_s - record.measured_s <= slack_s:
        return "in the last hour"
    if latest_s - first_s - record.measured_s <= slack_s and now.timestamp() - latest_s <= slack_s:
        return f"since the recording began, {duration(max(0.0, now.timestamp() - first_s))} ago"
    return f"in the {duration(record.measured_s)} measured of the last hour"


def hosts_sentence(record: LineRecord, clock: LocalClock) -> str:
    """Say which of the hosts asked answer by the end of `record`, and since when which others do not.

    Fewer probes lost in a row than make an outage are no silence.
    """
    answering, silent = [], []
    for each in record.probes:
        name, answered = printable(each.target.name), np.flatnonzero(~each.lost)
        if answered.size and len(each) - 1 - answered[-1] < LOSSES:
            answering.append(f"{name}, {1000.0 * float(each.round_trip_s[answered[-1]]):.0f} ms")
        elif answered.size:
            since = datetime.fromtimestamp(float(each.sent_s[answered[-1] + 1]), UTC)
            silent.append(f"{name}, since {clock.time(since)}")
        elif len(each):
            silent.append(f"{name}, not once so far (is its address right?)")
    parts = [("Hosts answering", answering), ("Silent", silent)]
    return " ".join(f"{what}: {'; '.join(names)}." for what, names in parts if names)
