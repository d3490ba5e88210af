"""What new elements changed: an answer about calls as a record to keep, and the difference between two records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

import pandas as pd

from passim.answers.calls.check import CallCheck
from passim.answers.calls.plan import CallPlan, better
from passim.spans import aware

What = Literal["better", "worse", "new", "gone"]
_FIGURES: Final = ("chance_of_end", "expected_pauses", "expected_frozen_s")


@dataclass(frozen=True)
class Change:
    """One call that a person would notice to go otherwise than said before; or that is new, or gone.

    `before` and `after` hold chance_of_end, expected_pauses and expected_frozen_s; None where there is no such call.
    """

    what: What
    title: str
    start: datetime
    before: Mapping[str, float] | None
    after: Mapping[str, float] | None


def plan_record(plan: CallPlan) -> dict[str, Any]:
    """Return the suggestions of a plan as plain values that JSON can hold."""
    return {"calls": [_call("", "suggested call", row) for _, row in plan.suggestions.iterrows()]}


def check_record(check: CallCheck) -> dict[str, Any]:
    """Return the checked calls as plain values that JSON can hold."""
    return {"calls": [_call(c.event.uid, c.event.title, c.outlook) for c in check.calls]}


def changes(before: Mapping[str, Any], after: Mapping[str, Any], now: datetime) -> list[Change]:
    """Return what changed between two records of one question; calls that begin before `now` are over and left out.

    Raises KeyError, TypeError or ValueError where a record is not one.
    """
    old, new = _by_identity(before), _by_identity(after)
    found = []
    for identity in sorted(old.keys() | new.keys(), key=lambda i: (i[1], i[0])):
        was, will_be = old.get(identity), new.get(identity)
        start = aware(datetime.fromisoformat(identity[1]), "start of a kept call")
        one = will_be or was
        assert one is not None  # it comes from one of the two
        if start < now:
            continue
        figures = [None if call is None else {name: float(call[name]) for name in _FIGURES} for call in (was, will_be)]
        what: What | None = None
        if was is None:
            what = "new"
        elif will_be is None:
            what = "gone"
        elif _better(figures[1], figures[0]):
            what = "better"
        elif _better(figures[0], figures[1]):
            what = "worse"
        if what is not None:
            found.append(Change(what, str(one["title"]), start, *figures))
    return found


def _better(one: Mapping[str, float] | None, other: Mapping[str, float] | None) -> bool:
    assert one is not None  # what is new or gone has been dealt with
    assert other is not None
    return bool(better(pd.DataFrame([one]), other)[0])


def _call(uid: str, title: str, row: pd.Series) -> dict[str, Any]:
    return {
        "uid": uid,
        "title": title,
        "start": row["start"].isoformat(),
        **{name: round(float(row[name]), 4) for name in _FIGURES},
    }


def _by_identity(record: Mapping[str, Any]) -> dict[tuple[str, str], Mapping[str, Any]]:
    return {(str(call["uid"]), str(call["start"])): call for call in record["calls"]}
