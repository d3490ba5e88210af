"""What new elements changed: an answer about calls as a record to keep, and the difference between two records."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

import pandas as pd

from passim.answers.calls.check import CallCheck
from passim.answers.calls.plan import CallPlan, better
from passim.spans import Span, aware

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
    """Return the suggestions of a plan as plain values that JSON can hold.

    ``others`` holds the same of every start that could have been suggested, for `changes` to look up; it is not for
    keeping.
    """
    title = "suggested call"
    return {
        "calls": [_call("", title, row) for _, row in plan.suggestions.iterrows()],
        "others": [_call("", title, row) for _, row in plan.ranked.iterrows()],
    }


def check_record(check: CallCheck) -> dict[str, Any]:
    """Return the checked calls as plain values that JSON can hold."""
    return {"calls": [_call(c.event.uid, c.event.title, c.outlook) for c in check.calls]}


def record_to_keep(record: Mapping[str, Any], span: Span, epoch: str) -> dict[str, Any]:
    """Return what to keep of a record: its calls, the span that it looked at, and the newest epoch behind it."""
    looked = [span.start.isoformat(), span.end.isoformat()]
    return {"calls": record["calls"], "span": looked, "epoch_newest": epoch}


def changes(
    before: Mapping[str, Any], after: Mapping[str, Any], now: datetime, looked: Span | None = None
) -> list[Change]:
    """Return what changed between two records of one question.

    Calls that begin before `now` are over and left out, and so are those that only one of the two answers looked at:
    `looked` is the span of the later one. A start suggested before is compared with what awaits it now, even where
    others are suggested in its place; one that is suggested only now is news where it is noticeably better than all of
    those before. Raises KeyError, TypeError or ValueError where a record is not one.
    """
    old, new = _by_identity(before["calls"]), _by_identity(after["calls"])
    known = _by_identity(after["others"]) if "others" in after else new
    spans = [] if looked is None else [(looked.start, looked.end)]
    if "span" in before:
        first, last = (aware(datetime.fromisoformat(text), "span of a kept answer") for text in before["span"])
        spans.append((first, last))
    found = []
    still = [known[identity] for identity in old if identity in known]
    for identity in sorted(old.keys() | new.keys(), key=lambda i: (i[1], i[0])):
        was, will_be = old.get(identity), known.get(identity)
        start = aware(datetime.fromisoformat(identity[1]), "start of a kept call")
        one = will_be or was
        assert one is not None  # it comes from one of the two
        if start < now or any(not begins <= start < ends for begins, ends in spans):
            continue
        figures = [None if call is None else _figures(call) for call in (was, will_be)]
        what: What | None = None
        if was is None:
            is_news = "others" not in after or all(_better(figures[1], _figures(call)) for call in still)
            what = "new" if is_news else None
        elif will_be is None:
            what = "gone"
        elif _better(figures[1], figures[0]):
            what = "better"
        elif _better(figures[0], figures[1]):
            what = "worse"
        if what is not None:
            found.append(Change(what, str(one["title"]), start, *figures))
    return found


def _figures(call: Mapping[str, Any]) -> dict[str, float]:
    return {name: float(call[name]) for name in _FIGURES}


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


def _by_identity(calls: Iterable[Mapping[str, Any]]) -> dict[tuple[str, str], Mapping[str, Any]]:
    return {(str(call["uid"]), str(call["start"])): call for call in calls}
