"""The hindcast as people read it: how far satellites were off, which gaps came, what the odds were worth."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from passim.forecast import LearnedAge, hindcast as scoring, timing

from .columns import AGE, COUNT, SHARE, TEXT, Column, number, of_row
from .timing import freshness_sentence
from .units import counted, instant, listed

if TYPE_CHECKING:
    from passim.workspace import OlderElements, Timing


def _bounds(row: Any) -> str:
    # Not a number: too few days to tell.
    return "" if row.skill_low != row.skill_low else f"{row.skill_low:.2f} to {row.skill_high:.2f}"


_SECONDS: Final = number(2, " s")
# A fleet that flies high keeps its times to some hundredths of a second.
_FINE: Final = number(3, " s")
_PAIR: Final = Column("pair", "Pair", COUNT, 1)
SCORE_COLUMNS: Final = (
    Column("forecast", "Forecast", TEXT),
    Column("brier", "Brier", number(4)),
    Column("reliability", "Reliability", number(4), 2),
    Column("resolution", "Resolution", number(4), 3),
    Column("uncertainty", "Uncertainty", number(4), 4),
    Column("skill", "Skill", number(2)),
    Column("skill_bounds", "95 %", of_row(_bounds, numeric=True), 1),
    Column("hit_rate", "Hits", SHARE, 1),
    Column("false_alarm_ratio", "False", SHARE, 1),
)
AGE_COLUMNS: Final = (
    _PAIR,
    Column("age_s", "Age", AGE),
    Column("satellites", "Satellites", COUNT),
    Column("shared_s", "Late in common", _SECONDS),
    Column("sigma_s", "Spread", _SECONDS),
    Column("expected_sigma_s", "Usual spread", _SECONDS),
    Column("moved", "Moved", COUNT),
    Column("lost", "Lost", COUNT),
)
QUALITY_COLUMNS: Final = (
    Column("age_s", "Elements", AGE),
    Column("forecast", "Gaps forecast", COUNT),
    Column("as_forecast", "As forecast", COUNT),
    Column("tolerance_s", "Within", number(1, " s")),
    Column("further_off", "Further off", COUNT),
    Column("not_come", "Did not come", COUNT),
    Column("unforeseen", "Not forecast", COUNT),
    Column("by_chance", "By luck", number(0), 1),
    Column("out_forecast", "Out, forecast", SHARE, 2),
    Column("out_came", "Out, came", SHARE, 2),
)
LEARNED_COLUMNS: Final = (
    Column("age_s", "Age", AGE),
    Column("satellites", "Satellites", COUNT),
    Column("pairs", "Pairs", COUNT, 1),
    Column("sigma_s", "Spread", _FINE),
    Column(
        "sigma_bounds",
        "95 %",
        of_row(lambda row: f"{row.sigma_low_s:.3f} to {row.sigma_high_s:.3f} s", numeric=True),
    ),
    Column("usual_s", "Usual spread", _FINE),
    Column("moved_share", "Moved", SHARE),
)
SATELLITE_COLUMNS: Final = (
    Column("satellite_id", "Number", TEXT),
    Column("name", "Name", TEXT),
    _PAIR,
    Column("age_s", "Age", AGE, 2),
    Column("passes", "Passes", COUNT, 3),
    Column("late_s", "Late", _SECONDS),
    Column("rise_late_s", "Rise late", _SECONDS, 4),
    Column("set_late_s", "Set late", _SECONDS, 5),
    Column("moved", "Moved", of_row(lambda row: "lost" if row.late_s != row.late_s else "moved" if row.moved else "")),
)


def learned_rows(known: Timing) -> pd.DataFrame:
    """Return what was learned at each age, one row each, beside the usual errors."""
    ages = known.learned.ages if known.learned is not None else ()
    names = [field.name for field in dataclasses.fields(LearnedAge)]
    table = pd.DataFrame([dataclasses.asdict(age) for age in ages], columns=names)
    usual_s = timing.TimingModel().sigma_s(table["age_s"].to_numpy(dtype=np.float64))
    return table.assign(usual_s=usual_s)


def hindcast_sentences(found: scoring.Hindcast) -> list[str]:
    """Say how far satellites were off, what became of service, what fits the errors, and what the odds were worth."""
    return [*_pair_sentences(found.pairs, found.ages), _fit_sentence(found), *_score_sentences(found.scores)]


def _pair_sentences(pairs: Sequence[scoring.PairScore], ages: pd.DataFrame) -> list[str]:
    """Say of each pair how old its elements were, how far satellites were off, and what became of service."""
    sentences = []
    for place, pair in enumerate(pairs, 1):
        which = f"Pair {place}: e" if len(pairs) > 1 else "E"
        sentences.append(
            f"{which}lements of {pair.in_both} objects, {timing.age_words(pair.freshness.median_s)} old at the middle "
            f"of the span, against elements {timing.age_words(pair.newer_age_s)} from it."
        )
        for row in ages[(ages["pair"] == place) & np.isfinite(ages["sigma_s"])].itertuples():
            way = "late" if row.shared_s >= 0.0 else "early"
            moved = f"{row.moved} ({100.0 * row.moved_share:.0f} %)" if row.moved else "none"
            lost = f", {row.lost} of them beyond following" if row.lost else ""
            sentences.append(
                f"At {timing.age_words(row.age_s)}, {row.satellites} satellites came {abs(row.shared_s):.2g} s {way} "
                f"in the median, with a spread of {row.sigma_s:.2g} s (the model says {row.expected_sigma_s:.2g} s); "
                f"off by more than four times that, as after a manoeuvre: {moved}{lost}."
            )
        gaps = pair.gaps
        if not gaps.forecast_count and not gaps.came_count and pair.out_came == 0.0:
            sentences.append("No gap was forecast and none came.")
            continue
        sentences.append(
            f"No service was forecast for {100.0 * pair.out_forecast:.2g} % of the time and came for "
            f"{100.0 * pair.out_came:.2g} %. {_gap_words(pair)}"
        )
    return sentences


_BRING_OLDER: Final = (
    "Upload an older list of the same satellites: it becomes a fleet beside this one. Or let passim keep lists"
)
NO_FEED: Final = (
    "Not known: this needs elements of the same satellites from two times about a day apart, and the workspace holds "
    f"none. {_BRING_OLDER}, one each time it asks the feed that you name for the fleet on the page Setup."
)
ONE_SNAPSHOT: Final = (
    "Not known yet: this needs elements of the same satellites from two times about a day apart, and so far the feed "
    f"has brought one list. {_BRING_OLDER}, one each time it asks the feed."
)
INVENTED_TODAY: Final = (
    "Not known: this needs elements of the same satellites from two times about a day apart, and those of an invented "
    "fleet are made anew each day."
)


def compared_sentences(pairs: Sequence[OlderElements]) -> list[str]:
    """Say which elements were compared, by the names of the fleets that held them; nothing where there are none."""
    if not pairs:
        return []
    older, newer = (
        listed(list(dict.fromkeys(name for names in held for name in names)))
        for held in ([pair.older_from for pair in pairs], [pair.newer_from for pair in pairs])
    )
    if older == newer:
        return [f"Compared: the newest elements of each satellite in {newer} with older ones that it holds as well."]
    return [f"Compared: elements of {newer} with older ones of {older}."]


def quality_sentence(pairs: Sequence[scoring.PairScore], site: str) -> str:
    """Say in one sentence what became of the gaps that the freshest of the older snapshots forecast at a site."""
    pair = pairs[0]
    gaps, off = pair.gaps, pair.further_off_s.size
    old = timing.age_words(pair.freshness.median_s)
    if not gaps.forecast_count and not gaps.came_count:
        return f"Elements {old} old forecast no gap at {site}, and none came."
    if not gaps.forecast_count:
        return f"Elements {old} old forecast no gap at {site}, but {counted(gaps.came_count, 'gap')} came."
    further = f", {off:,} further off ({pair.further_off_median_s:.2g} s in the median)" if off else ""
    return (
        f"Elements {old} old forecast {counted(gaps.forecast_count, 'gap')} at {site}: {gaps.hits:,} began within "
        f"{gaps.tolerance_s:.2g} s of their time{further}, {gaps.false_alarms - off:,} did not come, and "
        f"{gaps.misses - off:,} came that had not been forecast."
    )


def quality_table(pairs: Sequence[scoring.PairScore]) -> pd.DataFrame:
    """Return what became of the gaps, one row a pair of snapshots."""
    rows = [
        {
            "start": pair.span.start,
            "end": pair.span.end,
            "age_s": pair.freshness.median_s,
            "forecast": pair.gaps.forecast_count,
            "as_forecast": pair.gaps.hits,
            "tolerance_s": pair.gaps.tolerance_s,
            "further_off": int(pair.further_off_s.size),
            "not_come": pair.gaps.false_alarms - int(pair.further_off_s.size),
            "unforeseen": pair.gaps.misses - int(pair.further_off_s.size),
            "by_chance": pair.by_chance,
            "out_forecast": pair.out_forecast,
            "out_came": pair.out_came,
        }
        for pair in pairs
    ]
    return pd.DataFrame(rows)


def _gap_words(pair: scoring.PairScore) -> str:
    """Say how many of the forecast gaps came, how near, and how many that came had not been forecast."""
    gaps, off = pair.gaps, pair.further_off_s.size
    luck = f" ({pair.by_chance:.0f} would by luck)" if pair.by_chance >= 0.1 * max(gaps.hits, 1) else ""
    words = (
        f"Of {gaps.forecast_count} gaps forecast, {gaps.hits} began within {gaps.tolerance_s:.2g} s of their time, "
        f"twice the timing error at these ages{luck}"
    )
    if off:
        words += f"; {off} came further off, {pair.further_off_median_s:.2g} s in the median"
    missed, unforeseen = gaps.false_alarms - off, gaps.misses - off
    return f"{words}; {missed} did not come. Of {gaps.came_count} that came, {unforeseen} had not been forecast."


def _fit_sentence(found: scoring.Hindcast) -> str:
    """Say which timing model fits what came, and how much of it the ages could tell."""
    fitted, factor = found.fitted, found.fit.growth_factor
    words = f"Timing errors at {found.fit.age_groups} ages give"
    if factor is not None:
        words = f"So few ages cannot tell the terms of the model apart; its growth times {factor:.2g} gives"
    return (
        f"{words} {fitted.at_epoch_s:.2g} s at the epoch, {fitted.per_day_s:.2g} s/day and {fitted.per_day2_s:.2g} "
        "s/day² for each satellite."
    )


def _score_sentences(scores: pd.DataFrame) -> list[str]:
    """Say what the odds were worth, or that there was nothing to forecast."""
    by_name = scores.set_index("forecast")
    if by_name["uncertainty"].iloc[0] == 0.0:
        return ["Service never changed in the span, so there is nothing to score: a higher mask would make gaps."]
    words = []
    for name, label in (
        (scoring.STATED, "the stated errors"),
        (scoring.FITTED, "the errors fitted to these very days"),
    ):
        brier, skill = (float(by_name[column][name]) for column in ("brier", "skill"))
        over = f"a skill of {skill:.2f} over climatology" if np.isfinite(skill) else "no measurable skill"
        words.append(f"Brier score {brier:.2g} and {over} with {label}")
    return [f"{'; '.join(words)}."]


def pair_note(pair: scoring.PairScore) -> str:
    """Say what was scored, and which objects could not be."""
    words = f"Scored: {instant(pair.span.start)} to {instant(pair.span.end)}. {freshness_sentence(pair.freshness)}"
    alone = len(pair.only_older) + len(pair.only_newer)
    return f"{words} {counted(alone, 'object')} in one snapshot alone left out." if alone else words
