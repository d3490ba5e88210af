"""What the Elements page says: how many serve, how old the elements are, and how old they may be."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Final

from passim.forecast import timing

from .columns import COUNT, TEXT, Column, Format, number, of_row
from .units import age, counted

SHELL_COLUMNS: Final = (
    Column("altitude_km", "Altitude km", number(1)),
    Column("inclination_deg", "Inclination °", number(2)),
    Column("objects", "Objects", COUNT),
    Column("sets", "Sets", COUNT),
    Column(
        "altitudes",
        "Altitudes km",
        of_row(lambda row: f"{row.altitude_lowest_km:,.1f} to {row.altitude_highest_km:,.1f}", numeric=True),
        1,
    ),
    Column(
        "inclinations",
        "Inclinations °",
        of_row(lambda row: f"{row.inclination_lowest_deg:.2f} to {row.inclination_highest_deg:.2f}", numeric=True),
        2,
    ),
)
STATUS_COLUMNS: Final = (Column("status", "Status", TEXT), Column("objects", "Objects", COUNT))


def object_columns(now: datetime) -> list[Column]:
    """Return the columns of objects, whose elements are told as old as they are at `now`."""
    return [
        Column("satellite_id", "Number", TEXT),
        Column("name", "Name", TEXT),
        Column("epoch", "Age", Format(lambda epoch: age(now - epoch))),
        Column("status", "Status", TEXT),
        Column("serving", "Serves", Format(lambda serves: "yes" if serves else "no", numeric=False)),
    ]


def sentence(fleet: str, serving: int, counts: Mapping[str, int], fresh: timing.Freshness) -> str:
    """Say how many objects of a fleet serve, and how old their elements are."""
    total, old = counts["catalogued"], timing.age_words(fresh.median_s)
    if serving:
        return (
            f"{counted(serving, 'satellite')} of {fleet} serve; their elements are {old} old, and {fresh.band.words}."
        )
    none = (
        f"The one object of {fleet} does not serve"
        if total == 1
        else f"None of the {total:,} objects of {fleet} serves"
    )
    if counts["decayed"] == total:
        none += ": it has decayed" if total == 1 else ": all have decayed"
    return f"{none}. The elements are {old} old."


def ages_sentence(fresh: timing.Freshness, youngest_s: float) -> str:
    """Say how old the elements are: all of one age, or half of them and the oldest."""
    median, oldest = timing.age_words(fresh.median_s), timing.age_words(fresh.oldest_s)
    if timing.age_words(youngest_s) == oldest:
        return f"All are {oldest} old."
    if median == oldest:
        youngest = timing.age_words(youngest_s)
        return f"Half of them or more are {oldest} old, the oldest there are; the youngest, {youngest}."
    return f"Half of them are older than {median}; the oldest, {oldest}."


def limits_days(model: timing.TimingModel) -> list[float]:
    """Return the ages, days, from which on less can be said by a timing model, each once."""
    return sorted({band.up_to_s / 86400.0 for band in timing.bands_of(model) if 0.0 <= band.up_to_s < math.inf})


def bands_sentence(fresh: timing.Freshness, model: timing.TimingModel) -> str:
    """Say what is told at which age by a timing model, and where the fleet stands now."""
    parts, reached_s = [], 0.0
    for band in timing.bands_of(model):
        # Under some models a band holds at no age.
        if reached_s < band.up_to_s < math.inf:
            days = band.up_to_s / 86400.0
            length = timing.age_words(band.up_to_s) if days < 1.0 else f"{days:.2g} {'day' if days == 1.0 else 'days'}"
            parts.append(f"up to {length}, {_told(band)}")
            reached_s = band.up_to_s
    return (
        f"How much can be said depends on their age at the time forecast: {'; '.join(parts)}; beyond that, nothing "
        "is forecast. "
        f"Now, at {timing.age_words(fresh.median_s)}: {_told(fresh.band)}."
    )


def _told(band: timing.Band) -> str:
    if band.shows_times:
        return "times, with odds beside them" if band.needs_odds else "times and odds"
    if band.shows_odds:
        return "odds only"
    return "only how long service is out in all" if math.isfinite(band.up_to_s) else "nothing is forecast"
