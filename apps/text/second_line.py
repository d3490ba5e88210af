"""Would a second line have helped, in words: freezes caught, calls saved, and what each costs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from .calls import kind_words
from .columns import COUNT, DURATION, SHARE, TEXT, Column, number, of_row
from .units import capital, counted, duration, share

if TYPE_CHECKING:
    import pandas as pd

    from passim.line import Rescue

COLUMNS: Final = (
    Column("second", "Second line", TEXT),
    Column("basis", "By", TEXT),
    Column("freezes", "Freezes", COUNT),
    Column("caught", "Shortened", COUNT),
    Column("rescued_s", "Frozen time saved", DURATION),
    Column("spoilt", "Calls spoilt", SHARE),
    Column("spoilt_left", "With it", SHARE),
    Column("saved_a_month", "Calls saved a month", number(1)),
    Column("cost", "Cost of each", of_row(lambda row: _money(row.cost_per_call), numeric=True), 1),
    Column("hour", "Of an hour", of_row(lambda row: _money(row.cost_per_hour), numeric=True), 2),
)


# Fewer calls than this a month are not worth a figure.
_LEAST_SAVED: Final = 0.05


def rescue_rows(found: Sequence[Rescue]) -> pd.DataFrame:
    """Return one row a second line and basis, as tables and files have it."""
    import pandas as pd

    return pd.DataFrame(
        [
            {
                "second": each.second.name,
                "basis": each.basis,
                "freezes": len(each.freezes),
                "caught": each.caught,
                "frozen_s": float(each.freezes["duration_s"].sum()),
                "rescued_s": each.rescued_s,
                "spoilt": each.spoilt,
                "spoilt_left": each.spoilt_left,
                "dropped": each.dropped,
                "dropped_left": each.dropped_left,
                "saved_a_month": each.saved_a_month,
                "cost_per_call": math.nan if each.cost_per_call is None else each.cost_per_call,
                "cost_per_hour": math.nan if each.cost_per_hour is None else each.cost_per_hour,
            }
            for each in found
        ]
    )


def rescue_sentence(found: Rescue) -> str:
    """Return what a second line does to the freezes, to calls, and what that costs."""
    past = found.basis == "record"
    would = "would have" if past else "would"
    of = "of the record" if past else "of the forecast"
    total = len(found.freezes)
    second = found.second
    switch = f"switched to within {duration(second.switch_over_s)}" if second.switch_over_s else "there at once"
    if not total:
        return f"{_name(found)} has nothing to catch: no freeze in the {duration(found.measured_s)} {of}."
    if not found.caught:
        longest = float(found.freezes.loc[found.freezes["where"] == "line", "duration_s"].max())
        why = (
            f"the longest of the line lasts {duration(longest)}"
            if longest <= second.switch_over_s
            else "none is of the line"
            if math.isnan(longest)
            else "it is out then itself"
        )
        return f"{_name(found)}, {switch}, {would} shorten{'ed' * past} none of {counted(total, 'freeze')}: {why}."
    shorten = "shortened" if past else "shorten"
    head = (
        f"{_name(found)}, {switch}, {would} {shorten} {found.caught:,} of {counted(total, 'freeze')} and "
        f"{'saved' if past else 'save'} {duration(found.rescued_s)} of "
        f"{duration(float(found.freezes['duration_s'].sum()))} frozen."
    )
    if not found.starts:
        return f"{head} No {found.minutes:g} min were measured through, so nothing is said of calls."
    kind = f"{capital(kind_words(found.kind))} of {found.minutes:g} min"
    calls = f"{kind} is spoilt in {share(found.spoilt)} of cases without it and in {share(found.spoilt_left)} with it"
    if found.saved_a_month < _LEAST_SAVED:
        return f"{head} {calls}: {'hardly a' if found.saved_a_month > 0.0 else 'no'} call is saved."
    cost = "" if found.cost_per_call is None else f", at {_money(found.cost_per_call)} for each"
    return f"{head} {calls}: of {found.calls_a_month:g} a month {found.saved_a_month:.1f} are saved{cost}."


def _name(found: Rescue) -> str:
    return f"{found.second.name[:1].upper()}{found.second.name[1:]}"


def _money(amount: float | None) -> str:
    """Return an amount in the user's own currency, which passim does not know."""
    return "" if amount is None or math.isnan(amount) else f"{amount:,.2f}"
