"""What the Sky page keeps of a day beside its numbers: the words that do not change with the gap chosen, the picture.

A gap that is chosen then costs no more than finding it, saying it and putting one mark into the picture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import pandas as pd

from passim import Horizon, Span

from ....figures.sky import sky_of_day
from ....figures.theme import Theme
from ....text.causes import NEVER_ADD_UP, cause_words, given_back_sentence, sector_sentence
from ....text.mounting import MOUNTING_CAUTIONS
from ....text.query import QueryResult
from ....text.sky import gap_label
from ....text.units import LocalClock, instant
from ...state import PageRequest
from ...tasks import sky as sky_day
from ...tasks.passes import PlaceVisibility


@dataclass(frozen=True, eq=False)
class DayWords:
    """What is said of a day, a caption to each table, and each gap as the address and the list have it.

    sentence    what leads, ``beside`` what must be read with it, ``second`` what follows
    starts      when each gap begins, as an instant that the address can hold
    labels      each gap in a few words
    """

    sentence: str
    beside: str
    second: str
    limits: str
    sectors: str
    starts: tuple[str, ...]
    labels: tuple[str, ...]

    def place_of(self, start: str) -> int | None:
        """Return the place of the gap that begins at an instant, as the address names it; None where there is none."""
        return self.starts.index(start) if start in self.starts else None


@dataclass(frozen=True, eq=False)
class SkyShown:
    """A day as the page shows it: what is seen, its sky laid out, and what is said of it.

    ``times`` is False where elements are too old for single gaps: then none can be chosen.
    """

    span: Span
    clock: LocalClock
    seen: PlaceVisibility
    day: sky_day.SkyDay
    words: DayWords
    times: bool
    key: tuple[Any, ...]

    def around(self, place: int | None, now: datetime, most: int) -> slice:
        """Return the few gaps around the one at `place`, else around now."""
        middle = int((self.day.gaps["start"] < now).sum()) if place is None else place
        first = min(max(middle - most // 2, 0), max(len(self.day.gaps) - most, 0))
        return slice(first, first + most)


def sky_shown(question: PageRequest) -> SkyShown:
    """Return the day chosen. Raises Pending, InputError."""
    span = question.days(1)
    clock, seen = question.clock(span), question.seen(span)
    key = (seen.visibility.view, span)
    day = question.computed(("sky", *key), span, sky_day.lay_out, seen.causes)
    times = question.freshness(span.middle).band.lists_times
    whole_key = (*key, question.fleet_key)
    words = question.state.remember(
        ("sky told", times, *whole_key), lambda: _day_words(question, seen, day, clock, times)
    )
    return SkyShown(span, clock, seen, day, words, times, whole_key)


def picture(question: PageRequest, shown: SkyShown, theme: Theme) -> dict[str, Any]:
    """Return the picture of a day without what changes with the moment, as `sky_of_day` makes it."""
    day, view = shown.day, shown.seen.visibility.view
    # Whatever horizon is tried at a place, its gateway, cone and arc stand where they stood.
    anywhere = replace(view, site=replace(view.site, horizon=Horizon.flat(0.0)))

    def draw() -> dict[str, Any]:
        others = question.state.remember(
            ("sky lines", anywhere, day.radius_km), lambda: sky_day.outlines_of_limits(anywhere, day.radius_km)
        )
        limits = sky_day.with_ground(view, others)
        return sky_of_day(day.track, limits, day.sectors, theme, missing=day.gaps, causes=day.causes)

    return question.state.remember(("sky picture", theme.name, *shown.key), draw)


def _day_words(
    question: PageRequest, seen: PlaceVisibility, day: sky_day.SkyDay, clock: LocalClock, times: bool
) -> DayWords:
    # Of the passes the words ask only whether there are any.
    found = QueryResult(
        seen.visibility,
        pd.DataFrame({"satellite": seen.visibility.candidates().group}),
        clock,
        (),
        {},
        question.fleet_timing.model,
    )
    words = cause_words(found, seen.causes, on_sky=True)
    costs = bool((day.sectors["given_back_s"] > 0.0).any())
    rows: list[Any] = list(day.gaps.itertuples(index=False))
    return DayWords(
        words.headline,
        words.beside,
        words.detail,
        f"{given_back_sentence(found, seen.causes)} {NEVER_ADD_UP}" if rows else "There is no gap to close.",
        # Whatever speaks of a lower horizon stands beside what roofs can do.
        " ".join([sector_sentence(found, day.sectors), *(MOUNTING_CAUTIONS if costs else ())]),
        tuple(instant(row.start) for row in rows if times),
        tuple(gap_label(row, clock) for row in rows if times),
    )
