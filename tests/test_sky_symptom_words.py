"""What the symptom matcher found, in the words of the Sky page: no one answer among equals, every number named."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from passim import Site, Span
from passim.answers.symptom import match as symptom
from passim.answers.symptom.discriminate import Traits, observations
from passim.answers.symptom.settings import Setting
from passim.intervals import Intervals
from passim.sky.search_report import SearchReport
from passim_apps.dashboard.pages.sky.symptom import may_keep
from passim_apps.text.symptom import (
    ELSEWHERE,
    FIT_OF_RANGES,
    FIT_OF_RECORD,
    fit_words,
    found_sentence,
    is_weak,
    observation_sentences,
    rows,
)
from tests import scenario

SPAN = Span.starting(datetime(2026, 11, 25, tzinfo=UTC), 24.0)
SITE: Site = scenario.MARRAM_LOFT
REPORT = SearchReport(1, 0, (), (), (), SPAN.start, SPAN.start, SPAN.start)


def train(every_s: float, length_s: float) -> Intervals:
    start = SPAN.start_us + (np.arange(60.0, 80000.0, every_s) * 1e6).astype(np.int64)
    return Intervals(start, start + int(length_s * 1e6))


def traits(freezes: Intervals, rate: float, direction_deg: float | None) -> Traits:
    length_s = (freezes.end - freezes.start) / 1e6
    mean_s = float(length_s.mean())
    return Traits(length_s.size, rate, mean_s, mean_s, mean_s, 0.1, np.full(24, rate), direction_deg)


def candidate(mask_deg: float, fit: float, every_s: float, length_s: float) -> symptom.Candidate:
    freezes = train(every_s, length_s)
    of = traits(freezes, 3600.0 / every_s, None if mask_deg > 40.0 else 0.0)
    return symptom.Candidate(Setting(mask_deg=mask_deg), SITE, freezes, fit, fit, {}, of, 0)


def answer(*fits: float) -> symptom.SymptomAnswer:
    found = tuple(candidate(35.0 + 5.0 * k, fit, 300.0 + 400.0 * k, 20.0 + 275.0 * k) for k, fit in enumerate(fits))
    seen = symptom.FreezeRanges((240.0, 600.0), (10.0, 40.0))
    apart = tuple(observations([(one.freezes, one.traits) for one in found], SPAN))
    return symptom.SymptomAnswer(seen, SITE, SPAN, symptom.EXPLAINED, found, apart, 0, 1234, None, None, REPORT)


def test_of_several_that_fit_about_equally_none_is_the_answer() -> None:
    told = found_sentence(answer(0.72, 0.75, 0.68, 0.4))
    assert told.endswith(
        "Several settings fit about equally: (1) no service below 35° all round; (2) no service below 40° all round; "
        "(3) no service below 45° all round."
    )
    assert told.startswith("A limit that is not set up here could explain freezes every 4 to 10 min")
    assert "The best of" not in told
    # One with more limits that fits better and stands further down is named as well.
    plain_first = found_sentence(answer(0.75, 0.88, 0.6))
    assert plain_first.endswith(
        "Several settings fit, and none is the answer yet: (1) no service below 35° all round; (2) no service below "
        "40° all round."
    )


def test_what_fits_badly_is_never_called_an_explanation() -> None:
    one = replace(answer(0.34, 0.2), verdict=symptom.PARTLY)
    told = found_sentence(one)
    assert told.startswith("No: none of 1,234 settings of the sky at ")
    assert (
        "explains freezes every 4 to 10 min, 10 to 40 s long: a fit of 0.5 would, and the nearest, at 0.34, is" in told
    )
    # It ends in where to look instead, and says neither that the sky has a part nor what would tell candidates apart.
    assert told.endswith(ELSEWHERE)
    assert "try a cable" in told
    assert "part in" not in told
    assert observation_sentences(one) == []
    assert found_sentence(one, on_pages=True).endswith(
        "A record on the page Measured tells the house, the line and the far end apart."
    )
    # None of it is offered to be kept, nor is a weak one beside one that does explain it.
    assert not may_keep(one, 1)
    assert [may_keep(answer(0.9, 0.5, 0.49), number) for number in (1, 2, 3)] == [True, True, False]
    assert [is_weak(each) for each in answer(0.9, 0.5, 0.49).candidates] == [False, False, True]


def test_one_that_leads_is_told_with_lengths_in_minutes() -> None:
    leads = answer(0.9, 0.8)
    told = found_sentence(leads)
    assert "The best of 1,234 settings: no service below 35° all round; it predicts 12 freezes an hour" in told
    long = replace(leads, candidates=(candidate(35.0, 0.9, 900.0, 295.0), leads.candidates[1]))
    assert "4 min 55 s on average" in found_sentence(long)
    nothing = replace(leads, verdict=symptom.NOT_THE_SKY)
    told = found_sentence(nothing)
    assert told.startswith("No: none of 1,234 settings of the sky at ")
    assert told.endswith(ELSEWHERE)
    undecided = found_sentence(replace(leads, verdict=symptom.UNDECIDED))
    assert "shifted in time it fits about as well: a longer record will decide. The best of 1,234" in undecided


def test_what_to_watch_for_names_every_candidate() -> None:
    told = observation_sentences(answer(0.9, 0.8, 0.7))
    assert len(told) == 3
    # Whatever number stands for a candidate says so, and no length is over a minute in seconds.
    assert "candidate 1 predicts 12 freezes an hour, candidate 2 5" in told[0]
    assert "freezes of candidate 1 last 20 s on average" in told[0]
    assert "those of candidate 2 4 min 55 s (longest 4 min 55 s)" in told[0]
    for line in told:
        bare = r"(, \d+ (none|about|\d)|of \d+ (last|the|they|\d))"
        assert re.search(bare, line) is None
        assert not re.search(r"\b\d{3,} s\b", line)


def test_a_fit_is_explained_for_what_was_given() -> None:
    by_ranges = answer(0.9)
    assert fit_words(by_ranges) == FIT_OF_RANGES
    start = train(600.0, 20.0).start[:20]
    by_record = replace(by_ranges, symptom=symptom.FreezeRecord(start, start + 20_000_000))
    assert fit_words(by_record) == FIT_OF_RECORD


def test_where_no_setting_predicts_any_freeze_there_is_a_table_without_rows() -> None:
    found = replace(answer(), verdict=symptom.NOT_THE_SKY)
    assert found_sentence(found).startswith("No: none of 1,234 settings of the sky")
    assert list(found.table) == list(answer(0.7).table)
    assert rows(found).empty
    assert list(rows(found)) == list(rows(answer(0.7)))
