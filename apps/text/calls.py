"""Calls as people read them: the sentences, the cells, and the text that goes into a calendar."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from .answer import Help
from .columns import AGE, COUNT, DURATION, SHARE, TEXT, Column, Format, age_words, of_row, picked, with_offset
from .notes import Note, background
from .query import PLANNING_HELP, stale_line
from .service import BY_THE_SKY, frozen_anyway_words, other_causes_words
from .timing import good_for
from .units import LocalClock, capital, counted, duration, lowered, share

if TYPE_CHECKING:
    import pandas as pd

    from passim.answers.calls import (
        changes as call_changes,
        check as call_check,
        kinds as call_kinds,
        outlook as call_outlook,
        plan as calls,
        recurrence,
    )
    from passim.forecast import Freshness

_HELPS_ELEMENTS: Final = (
    "What would help: newer elements. No gap is predicted in these calls, but at this age none can be ruled out."
)
_HELPS_LINE: Final = (
    "No gap is predicted in these calls, but the record of your line has freezes that no satellite explains: look at "
    "the line itself."
)
_MOST_CHANGES = 6
# From this share of starts as good as the best on, nearly any will do.
_MOST_WILL_DO = 0.5
_MOST_FREEZES = 4
# Fewer pauses and less time frozen than these are told as none.
_NO_PAUSE, NO_FREEZE_S = 0.05, 0.5


# What stands behind the question mark of the picture of starts, on the page and in the report.
STARTS_HELP: Final = Help(
    "One row a day, with every start of a call in local time from left to right. Flat and solid are good starts; "
    "hatched are starts with freezes to expect, and the height is how many seconds of the call would be frozen on "
    "average. The open boxes under the curve are the calls suggested, as long as they last.",
    "Two hundred futures are simulated, with satellites early or late by as much as the age of their elements allows, "
    "and a call starts at every minute. Starts rank by the chance that the call drops, then by pauses, then by seconds "
    "frozen. The figures come from two hundred other futures, so that luck in the draw does not count.",
)


def pauses(number: float) -> str:
    """Return an expected number of pauses: "no pause", "0.7 pauses", "1 pause"."""
    if number < _NO_PAUSE:
        return "no pause"
    text, whole = pause_number(number), f"{round(number):,}"
    text = whole if text == f"{whole}.0" else text
    return f"{text} pause" if text == "1" else f"{text} pauses"


def pause_number(number: float) -> str:
    """Return an expected number of pauses, never rounded up to the bound of a good start: "0.49", "under 0.5"."""
    from passim.answers.calls import outlook as call_outlook

    bound = call_outlook.MOST_PAUSES
    for decimals in (1, 2):
        text = f"{number:,.{decimals}f}"
        if number >= bound or float(text) < bound:
            return text
    return f"under {bound:g}"


def chance_of_end(chance: float) -> str:
    """Return the chance that a call is dropped, never rounded down to the bound of a good start: "over 5 %"."""
    from passim.answers.calls import outlook as call_outlook

    most = call_outlook.MOST_CHANCE_OF_END
    return f"over {100.0 * most:.0f} %" if chance > most and share(chance) == share(most) else share(chance)


def meets(expected_pauses: float, frozen_s: float) -> str:
    """Return what a call meets: "no freeze", "2.1 pauses and 44 s frozen"."""
    if expected_pauses < _NO_PAUSE and frozen_s < NO_FREEZE_S:
        return "no freeze"
    return f"{pauses(expected_pauses)} and {duration(frozen_s)} frozen"


def hardly_freezes(row: Any) -> bool:
    """Return whether what a call meets is told as no freeze."""
    return bool(row["expected_pauses"] < _NO_PAUSE and row["expected_frozen_s"] < NO_FREEZE_S)


def frozen_anyway(plan: calls.CallPlan, *, on_pages: bool = False) -> list[str]:
    """Return, for beside the headline, what to do if calls freeze, where no start has one to expect; else nothing."""
    return [frozen_anyway_words(on_pages=on_pages)] if _sky_is_clear(plan) else []


def other_causes(plan: calls.CallPlan, *, on_pages: bool = False) -> list[str]:
    """Return, for after the other sentences, how causes are told that are not in the sky, where it shows none."""
    return [other_causes_words(on_pages=on_pages)] if _sky_is_clear(plan) else []


def _sky_is_clear(plan: calls.CallPlan) -> bool:
    """Return whether no start that is free has a freeze to expect, so that none can be put down to the sky."""
    most = plan.ranked[["expected_pauses", "expected_frozen_s"]].max()
    return not plan.statistics_only and not plan.ranked.empty and hardly_freezes(most)


def frozen(seconds: float) -> str:
    """Return how much of a call is frozen on average, where a figure stands alone: "19 s", "nothing"."""
    return "nothing" if seconds < NO_FREEZE_S else duration(seconds)


def outlook(row: Any) -> str:
    """Return what awaits a call: "2.1 pauses and 44 s frozen expected, 3.0 % chance that the call drops"."""
    words = f"{meets(row.expected_pauses, row.expected_frozen_s)} expected"
    return words + (
        f", {chance_of_end(row.chance_of_end)} chance that the call drops" if row.chance_of_end >= 0.01 else ""
    )


def minute(moment: Any, clock: LocalClock, *, day: bool = True) -> str:
    """Return a start to the minute: "09:45 on Wed 25 Nov"; with its offset where the clocks change."""
    return clock.minute(moment) + (f" on {clock.day(moment)}" if day else "")


def plan_sentences(plan: calls.CallPlan, clock: LocalClock) -> list[str]:
    """Return the sentences that say when to call, the first of them the headline, and what choosing gains."""
    where = plan.hours.words
    looked = f"Looked at {clock.days(plan.span)}, {where}"
    if plan.statistics_only:
        calm = plan.by_hour.iloc[int(plan.by_hour["expected_frozen_s"].to_numpy().argmin())]
        return [
            stale_line(plan.last.median_s),
            "They are too old to tell one start from another; by local hour, the calmest begins at "
            f"{int(calm['hour']):02d}:00, with {outlook(calm)}.",
            f"{looked}.",
        ]
    if plan.gain is None:
        return [f"No start is free: each one clashes with a busy time. {looked}."]
    if plan.none_good is not None:
        call = f"{kind_words(plan.kind)} of {plan.minutes} min"
        return [
            f"No good start for {call} in the time searched: {clock.days(plan.span)}, {where}.",
            *none_good_sentences(plan.none_good, plan.kind, clock),
            gain_sentence(plan),
        ]
    gain, best = plan.gain, plan.suggestions.iloc[0]
    if gain.all_alike:
        return [gain_sentence(plan), f"{looked}."]
    best_words = f"{minute(best['start'], clock)}, {outlook(best)}"
    if nearly_any(gain):
        return [gain_sentence(plan), f"The first of the best: {best_words}.", f"{looked}."]
    random = gain_sentence(plan)
    sentences = [
        f"Best start for {kind_words(plan.kind)} of {plan.minutes} min: {best_words}.",
        f"{looked}: {lowered(random)}",
    ]
    for name, part in ((" before noon", plan.before_noon), (" from noon on", plan.from_noon)):
        if part is not None and part.all_alike and not _only_half(plan):
            sentences.append(f"{_alike(part, name)}.")
    return sentences


def plan_lines(plan: calls.CallPlan, clock: LocalClock) -> list[str]:
    """Return the sentences that say when to call, and beside the headline what to do if calls freeze all the same."""
    first, *rest = plan_sentences(plan, clock)
    return [first, *frozen_anyway(plan), *rest, *other_causes(plan)]


def none_good_sentences(none: call_outlook.NoneGood, kind: call_kinds.CallKind, clock: LocalClock) -> list[str]:
    """Return what is said where no start is good: the least bad, what length would do, what would have to change."""
    sentences = [f"Least bad: {minute(none.least_bad['start'], clock)}, {outlook(none.least_bad)}."]
    if none.shorter is None:
        sentences.append(f"No shorter call would do: not even one of a minute has a good start for {kind_words(kind)}.")
    else:
        when = minute(none.shorter["start"], clock)
        sentences.append(f"Calls of up to {none.minutes} min have a good start: first {when}, {outlook(none.shorter)}.")
    if not none.out_s:
        sentences.append(_HELPS_LINE if none.by_record else _HELPS_ELEMENTS)
    elif none.limit:
        sentences.append(
            f"What would have to change: the {none.limit} limit costs most; removing it alone would regain "
            f"{share(none.given_back)} of the time without service in these calls."
        )
    else:
        sentences.append(
            "What would have to change: more than one limit; removing any one alone would regain nothing in these "
            "calls."
        )
    return sentences


def good_note() -> str:
    """Return what counts as a good start."""
    from passim.answers.calls import outlook as call_outlook

    return (
        f"A start is good where the chance that the call drops is at most {share(call_outlook.MOST_CHANCE_OF_END)} and "
        f"fewer than {call_outlook.MOST_PAUSES:g} pauses are expected."
    )


def gain_sentence(plan: calls.CallPlan) -> str:
    """Return what choosing gains over a random start; empty where nothing is suggested."""
    gain = plan.gain
    if gain is None:
        return ""
    if gain.all_alike:
        # How starts differ is worth a word only where anything freezes.
        rest = f", {BY_THE_SKY}" if _sky_is_clear(plan) else f" ({_spread(gain)})"
        return f"{_alike(gain, _only_half(plan))}{rest}."
    random, as_good = meets(gain.pauses.mean, gain.frozen_s.mean), share(gain.share_as_good)
    if nearly_any(gain):
        # Short freezes that make no pause need no word on pauses here.
        some = f"{duration(gain.frozen_s.mean)} frozen"
        meets_some = some if gain.pauses.mean < _NO_PAUSE and gain.frozen_s.mean >= NO_FREEZE_S else random
        return f"Nearly any start will do: {as_good} are as good as the best; a random one meets {meets_some}."
    return f"A random start meets {random} ({_spread(gain)}); {as_good} of the starts are as good as the best."


def plan_figures(plan: calls.CallPlan, clock: LocalClock) -> list[tuple[str, str]]:
    """Return three figures: the first start suggested, what freezes in that call, and in one from a random start.

    There are none where the elements are too old for single starts, or no start is left.
    """
    if plan.statistics_only or plan.gain is None or plan.shown.empty:
        return []
    first, which = plan.shown.iloc[0], "best start" if plan.none_good is None else "least bad"
    return [
        (clock.minute(first["start"]), f"{which}, {clock.weekday(first['start'])}"),
        (frozen(first["expected_frozen_s"]), "frozen in that call"),
        (frozen(plan.gain.frozen_s.mean), "frozen at random"),
    ]


def _only_half(plan: calls.CallPlan) -> str:
    """Return the half of the day that all starts lie in, as words after "start"; empty where they lie in both."""
    return " before noon" if plan.from_noon is None else " from noon on" if plan.before_noon is None else ""


def gain_verdict(gain: calls.Gain) -> str:
    """Return in a few words whether to choose, as `gain_sentence` says it."""
    if gain.all_alike:
        return "all starts are alike"
    if nearly_any(gain):
        return "nearly any will do"
    return "worth choosing" if gain.worth_choosing else "little to gain"


def _alike(gain: calls.Gain, when: str) -> str:
    random = meets(gain.pauses.mean, gain.frozen_s.mean)
    return f"Every start{when} is equally good: {random} expected"


def nearly_any(gain: calls.Gain) -> bool:
    """Say whether nearly any start will do, so that none is the best of them."""
    return not gain.worth_choosing and gain.share_as_good >= _MOST_WILL_DO


def _spread(gain: calls.Gain) -> str:
    low, high = duration(gain.frozen_s.low), duration(gain.frozen_s.high)
    return f"8 of 10 starts: {low if low == high else f'{low} to {high}'} frozen"


def plan_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of suggested starts."""
    return plan_columns_of(lambda _: clock)


def plan_columns_of(clock_of: Callable[[Any], LocalClock]) -> list[Column]:
    """Return the columns of suggested starts, each told by the clock of its row."""
    return [
        Column("day", "Day", of_row(lambda row: clock_of(row).day(row.start))),
        Column("start", "Start", of_row(lambda row: minute(row.start, clock_of(row), day=False)), local=True),
        Column("end", "End", of_row(lambda row: minute(row.end, clock_of(row), day=False)), 3),
        *_EXPECTED,
        Column("age_s", "Elements' age", AGE, 4),
    ]


_PAUSE_NUMBER = Format(pause_number)
_PAUSES = Column("expected_pauses", "Pauses", _PAUSE_NUMBER)
# As sentences tell it: a freeze of a fraction of a second in one run of many is none.
_FROZEN_SECONDS = Format(lambda seconds: duration(0.0 if seconds < NO_FREEZE_S else seconds))
_FROZEN = Column("expected_frozen_s", "Frozen", _FROZEN_SECONDS)
_WORST = Column("worst_p90_s", "Worst freeze (9 calls in 10)", DURATION, 2)
_DROPPED = Column("chance_of_end", "Call dropped", Format(chance_of_end))
_EXPECTED = (_PAUSES, _FROZEN, _WORST, _DROPPED)
HOUR_COLUMNS: Final = (
    Column("hour", "Hour", Format(lambda hour: f"{hour:02d}:00", numeric=False)),
    Column("starts", "Starts", COUNT, 1),
    # Of calls at different starts the mean of nine-in-ten figures is no such figure itself: it is left out here.
    _PAUSES,
    _FROZEN,
    _DROPPED,
)


# What choosing gains over a random start, for some of the starts.
GAIN_COLUMNS: Final = (
    Column("starts_in", "Starts", TEXT),
    Column("starts", "Number", COUNT),
    Column("best_pauses", "Pauses, best", _PAUSE_NUMBER),
    Column("random_pauses", "Random", _PAUSE_NUMBER),
    Column("best_frozen_s", "Frozen, best", _FROZEN_SECONDS),
    Column("random_frozen_s", "Random", _FROZEN_SECONDS),
    Column("random_frozen", "8 of 10", of_row(lambda row: _eight_of_ten(row), numeric=True)),
    Column("share_as_good", "As good", SHARE),
    Column("verdict", "Choosing", TEXT),
)


def _eight_of_ten(row: Any) -> str:
    low, high = duration(row.random_frozen_low_s), duration(row.random_frozen_high_s)
    return low if low == high else f"{low} to {high}"


def site_plan_columns(clocks: Mapping[str, LocalClock]) -> list[Column]:
    """Return the columns of suggested starts at several sites, each told by its own clock."""
    columns = plan_columns_of(lambda row: clocks[row.site])
    headings = {tuple(one.heading for one in with_offset(columns, clock)) for clock in clocks.values()}
    # Where all clocks stand alike, their offset is that of the column.
    headed = with_offset(columns, next(iter(clocks.values()))) if len(headings) == 1 else columns
    return [Column("site", "Site", TEXT), *headed]


def plan_notes(plan: calls.CallPlan, runs: int) -> list[Note]:
    """Return what must be known of a plan: what counts as what, the age of the elements, where figures come from."""
    notes = [
        Note(kind_sentence(plan.kind)),
        background(good_note()),
        Note(ages_sentence(plan.first, plan.last, "at the first start", "at the last")),
    ]
    left_out = plan.allowed_count - plan.rankable_count
    if left_out and not plan.statistics_only:
        notes.append(Note(f"{counted(left_out, 'start')} not ranked: the elements are too old by then."))
    scored = (
        f"Starts are chosen on {runs} simulated runs and scored on {runs} others; pauses are those expected in one "
        f'call. In 9 calls in 10 no single freeze is longer than "Worst freeze".'
    )
    return [*notes, background(scored)]


def ages_sentence(first: Freshness, last: Freshness, at_first: str, at_last: str) -> str:
    """Return one sentence on how old the elements are at both ends of what is told, and what that means."""
    ages = [age_words(fresh.median_s) for fresh in (first, last)]
    stale = "" if last.oldest_s < 2.0 * last.median_s else f", the oldest {age_words(last.oldest_s)}"
    when = f"{ages[0]} old {at_first}" + ("" if at_first == at_last else f", {ages[1]} {at_last}") + stale
    error = f" (timing error {last.sigma_s:.2g} s)" if last.band.shows_odds else ""
    return f"Elements: {when}: {good_for(last.band)}{error}."


def check_sentence(check: call_check.CallCheck, name: str, clock: LocalClock, left_out: Sequence[str] = ()) -> str:
    """Return the sentence that says how the calls of a calendar go; `left_out` says what its reader left out."""
    if not check.calls:
        reasons = [reason_words(reason) for _, reason in check.left_out]
        why = [f"{reasons.count(reason)} because {reason}" for reason in dict.fromkeys(reasons)] + list(left_out)
        return f"No call of {name} could be checked" + (f": {'; '.join(why)}." if why else ": it has none in the span.")
    from passim.answers.calls import outlook as call_outlook

    calm = sum(call_outlook.is_good(call.outlook) for call in check.calls)
    worst = max(check.calls, key=lambda call: float(call.outlook["expected_frozen_s"]))
    rest = f" ({len(check.left_out):,} not checked)" if check.left_out else ""
    head = f"{counted(len(check.calls), 'call')} of {name}{rest}: {calm} with a good start"
    if calm == len(check.calls):
        return f"{head}."
    sentence = f"{head}; the worst, {worst.event.title} at {minute(worst.event.start, clock)}: {outlook(worst.outlook)}"
    if worst.nearest_better is None:
        return f"{sentence}; no nearby start is better."
    there = worst.nearest_better
    return f"{sentence}; a start at {minute(there['start'], clock)} instead: {outlook(there)}."


def freeze_words(call: call_check.CheckedCall, clock: LocalClock) -> str:
    """Return the predicted freezes of a call: "09:03:12 for 21 s"; a dash where single times are hidden."""
    if not call.shows_times:
        return "–"
    shown = [f"{clock.time(f.start)} for {duration(f.duration_s)}" for f in call.freezes[:_MOST_FREEZES]]
    more = len(call.freezes) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")


def verdict(row: Any) -> str:
    """Return in a word or two how a call goes, by what passim counts as a good start."""
    from passim.answers.calls import outlook as call_outlook

    if call_outlook.is_good(row._asdict()):
        return "good start"
    return "may end" if row.chance_of_end > call_outlook.MOST_CHANCE_OF_END else "pauses"


def check_rows(check: call_check.CallCheck, clock: LocalClock) -> pd.DataFrame:
    """Return the rows of a check with the predicted freezes of each call as text."""
    rows = check.table
    rows.insert(len(rows.columns) - 1, "freezes", [freeze_words(call, clock) for call in check.calls])
    return rows


def check_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of checked calls; the rows are those of `check_rows`."""

    def better(row: Any) -> str:
        if row.better_start != row.better_start:
            return "none"
        # The day of the call stands in its row, and a narrow window shows only the first columns.
        there = minute(row.better_start, clock, day=clock.day(row.better_start) != clock.day(row.start))
        return f"{there} ({meets(row.better_expected_pauses, row.better_expected_frozen_s)})"

    day, start, end = picked(plan_columns(clock), "day", "start", "end")
    return [
        day,
        start,
        Column("verdict", "Verdict", of_row(verdict)),
        Column("better_start", "Better start", of_row(better), below=True),
        Column("title", "Call", TEXT, below=True),
        end,
        _PAUSES,
        _FROZEN,
        _DROPPED,
        Column("freezes", "Freezes", TEXT, below=True),
    ]


def check_notes(check: call_check.CallCheck) -> list[Note]:
    """Return what must be known of a check but for what it left out: what counts as what."""
    notes = [Note(kind_sentence(check.kind))]
    if any(not call.shows_times for call in check.calls):
        notes.append(Note("A dash means that the elements are too old for single times."))
    return notes


_NO_CALL: Final = {
    "whole days": "it lasts whole days",
    "no length": "it has no length",
    "too long": "it lasts over 12 h",
    "over": "it is already over",
    "begun": "it has begun already",
    "after the days": "it comes after the days asked about",
    "before the record": "it began before the record",
    "beyond the record": "it was not over when the record ends",
    "unmeasured": "less than 95 % of it was measured",
}


_KIND_WORDS: Final = {
    "voice": "a voice call",
    "video": "a video call",
    "lesson": "a live video lesson",
    "screen": "screen sharing",
    "stream": "a one-way stream",
}


def kind_words(kind: call_kinds.CallKind) -> str:
    """Return what a kind of call is called in a sentence."""
    return kind.words or _KIND_WORDS.get(kind.name, kind.name)


def kind_sentence(kind: call_kinds.CallKind) -> str:
    """Say what counts as what in a kind of call."""
    buffer = f", after {kind.buffer_s:g} s played from what is in hand" if kind.buffer_s else ""
    return (
        f"{capital(kind_words(kind))}: a freeze counts from {kind.noticed_from_s:g} s{buffer}, is a pause from "
        f"{kind.pause_from_s:g} s, and ends the call from {kind.ends_from_s:g} s."
    )


def reason_words(reason: call_check.NoCall) -> str:
    """Return why an event of a calendar is not judged."""
    if reason.fault is not None:
        return f"the rule by which it repeats cannot be followed ({rule_words(reason.fault)})"
    if reason.why == "elsewhere":
        return f"it is at another site, {reason.site}"
    if reason.why == "too old" and reason.age_s >= 0.0:
        return f"elements are over {age_words(reason.age_s)} old by then, too old to tell single calls"
    if reason.why == "too old":
        return "the timing error of the elements is too large at any age to tell single calls"
    return _NO_CALL[reason.why]


def rule_words(fault: recurrence.RuleFault) -> str:
    """Return why a rule of repetition cannot be followed."""
    if not fault.part:
        from passim.answers.calls import recurrence

        return f"over {recurrence.MOST_REPEATS:,} times in the time looked at"
    return f"{fault.part} in place of {fault.wanted}"


def left_out_sentences(check: call_check.CallCheck) -> list[str]:
    """Return which calls of a calendar were not checked, a sentence for each reason."""
    reasons: dict[str, list[str]] = {}
    for event, reason in check.left_out:
        reasons.setdefault(reason_words(reason), []).append(event.title)
    return [f"Not checked, because {reason}: {_first(titles)}." for reason, titles in reasons.items()]


def _first(titles: Sequence[str]) -> str:
    """Return the first few titles; one that comes again and again once, with how often."""
    from .units import listed

    times = {title: titles.count(title) for title in dict.fromkeys(titles)}
    return listed([title if number == 1 else f"{title} ({number:,} times)" for title, number in times.items()])


def busy_words(taken: Sequence[tuple[str, int]]) -> str:
    """Return how many appointments of which calendars are kept free of calls; empty without a calendar."""
    if not taken:
        return ""
    names = [f"{counted(number, 'appointment')} of {name}" for name, number in taken]
    return f"Kept free of calls: {' and '.join(names)}."


def change_lines(found: Sequence[call_changes.Change], clock: LocalClock) -> list[str]:
    """Return what changed since the last answer, a line a call."""
    if not found:
        return ["Nothing noticeable has changed since the last answer."]
    lines = []
    for change in found[:_MOST_CHANGES]:
        when = f"{change.title} at {minute(change.start, clock)}"
        was, will_be = _figures(change.before), _figures(change.after)
        words = {
            "new": f"new: {when}, {will_be}",
            "gone": f"gone: {when}",
            "better": f"better: {when}, {will_be} instead of {was}",
            "worse": f"worse: {when}, {will_be} instead of {was}",
        }
        lines.append(f"Since the last answer {words[change.what]}.")
    if len(found) > _MOST_CHANGES:
        lines.append(f"{counted(len(found) - _MOST_CHANGES, 'more change')}: --format json lists them.")
    return lines


def _figures(call: Any) -> str:
    return "" if call is None else meets(call["expected_pauses"], call["expected_frozen_s"])


def event_text(row: Any, kind: call_kinds.CallKind) -> str:
    """Return what a calendar says of a suggested call."""
    longest = "no freeze" if row.worst_p90_s < 0.05 else f"no freeze longer than {duration(row.worst_p90_s)}"
    return (
        f"Expected freezes: {row.expected_freezes:.1f}, of them {pauses(row.expected_pauses)}; "
        f"{duration(row.expected_frozen_s)} frozen; chance that the call drops: {chance_of_end(row.chance_of_end)}; "
        f"9 of 10 such calls meet {longest}.\n{kind_sentence(kind)}\n"
        f"{PLANNING_HELP}."
    )


def none_good_facts(none: call_outlook.NoneGood | None) -> dict[str, Any] | None:
    """Return what is said where no start is good as JSON can hold it, None where one is."""
    from .units import instant

    if none is None:
        return None
    shorter = None if none.shorter is None else instant(none.shorter["start"].to_pydatetime())
    return {
        "least_bad_start": instant(none.least_bad["start"].to_pydatetime()),
        "longest_good_minutes": none.minutes,
        "longest_good_start": shorter,
        "costliest_limit": none.limit or None,
        "given_back_share": round(none.given_back, 6),
    }


def gain_facts(plan: calls.CallPlan) -> dict[str, Any]:
    """Return the gains of a plan as JSON can hold them."""
    parts = {"gain": plan.gain, "gain_before_noon": plan.before_noon, "gain_from_noon": plan.from_noon}
    return {name: None if gain is None else dataclasses.asdict(gain) for name, gain in parts.items()}
