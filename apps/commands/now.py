"""``passim now``: service this minute, the next gap, whether to call, and the next good start."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from ..command_line.call_options import kind_option, minutes_option
from ..command_line.options import (
    FleetChoice,
    OutputChoice,
    SiteChoice,
    at_option,
    fleet_options,
    output_options,
    site_options,
)
from ..command_line.parsing import now_of

if TYPE_CHECKING:
    from passim.answers.calls import now as answers

    from ..command_line.call_options import Forecast


@click.command("now", short_help="Is it a good moment to call? The next gap, the next good start.")
@fleet_options
@site_options
@at_option
@minutes_option
@kind_option
@output_options
def now(
    fleet_choice: FleetChoice,
    site_choice: SiteChoice,
    at_text: str | None,
    minutes: int,
    kind_name: str | None,
    output_choice: OutputChoice,
) -> None:
    """Say whether service is expected this minute, when the next gap comes, and whether to call.

    It looks 24 hours ahead. A start is good where at most one call in twenty is dropped and most calls meet no pause.
    What counts as a pause depends on the kind of call. Where no start is good, the answer says so first, with the least
    bad one, the longest call that would do, and the limit that costs most.

    \b
    Example:
      passim now
      passim now --minutes 45 --kind voice
      passim now --elements fleet.json --site 45.0,-28.0,40 --gateway 39.6,-28.0
    """
    from passim import Span
    from passim.answers.calls import hours as call_times, now as answers

    from ..command_line.call_options import forecast, hours_of, kind_facts, kind_of
    from ..command_line.output import write
    from ..text.answer import Answer
    from ..text.calls import ages_sentence, good_note, kind_sentence, none_good_facts
    from ..text.notes import Note, background
    from ..text.now import now_columns
    from ..text.units import instant

    at = now_of(at_text, site_choice.zone)
    span = Span.starting(at)
    call_times.check_length(minutes, span)
    kind = kind_of(kind_name, site_choice)
    ahead = forecast(fleet_choice, site_choice, span)
    answer = answers.now(ahead.service, kind, minutes=minutes)

    gap = answer.next_gap
    record_notes, learned = ahead.of_record(kind, minutes, hours_of(None, None, site_choice))
    facts = {
        **ahead.facts,
        "at": instant(answer.at),
        "kind": kind_facts(kind),
        "band": answer.freshness.band.name,
        "served": answer.served if answer.freshness.band.shows_times else None,
        "no_service": round(answer.no_service, 6),
        "next_gap": None
        if gap is None
        else {
            "start": instant(gap.start),
            "end": instant(gap.end),
            "duration_s": round(gap.duration_s, 3),
            "frozen_s": round(gap.frozen_s, 3),
            "under_way": gap.under_way,
            "chance": round(gap.chance, 6),
        },
        "call_is_wise": answer.call_is_wise if answer.freshness.band.shows_odds else None,
        "none_good": none_good_facts(answer.none_good),
        "learned": learned,
    }
    write(
        Answer(
            "now",
            _sentence(answer, ahead),
            # Where no moment can be told from another, a call now has no figures of its own.
            answer.table if answer.freshness.band.shows_odds else answer.table.iloc[:0],
            now_columns(ahead.clock),
            (
                Note(ages_sentence(answer.freshness, answer.freshness, "now", "now")),
                Note(kind_sentence(kind)),
                *record_notes,
                background(good_note()),
                *ahead.found.service_notes,
                *ahead.found.notes,
            ),
            facts,
            ahead.clock,
        ),
        output_choice,
    )


def _sentence(now: answers.Now, ahead: Forecast) -> str:
    """Return what is said of the moment, line by line."""
    from ..text.now import details, frozen_anyway, headline, odds_line, other_causes, out_words
    from ..text.query import stale_line

    lines = [
        *([] if now.freshness.band.shows_odds else [stale_line(now.freshness.median_s)]),
        headline(now, ahead.clock, out_words(now)),
        frozen_anyway(now),
        *details(now, ahead.clock, "passim calls"),
        *odds_line(now),
        *other_causes(now),
    ]
    return "\n".join(filter(None, lines))
