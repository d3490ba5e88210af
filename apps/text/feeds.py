"""What is said of feeds: what became of an update, when the next is due, and what is in use."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from .columns import COUNT, TEXT, Column, Format, time_column
from .units import counted, instant

if TYPE_CHECKING:
    from passim.workspace import Address, FeedState, Folder, Origin, Update

    from .units import LocalClock

_OUTCOMES: Final = {"new": "new", "unchanged": "nothing new", "not due": "not due", "failed": "failed"}


SWITCHED_ON: Final = (
    "From now on, while it runs, the dashboard fetches new elements by itself when the feed is due. This is saved in "
    "passim.toml; the same switch turns it off."
)
SWITCHED_OFF: Final = "The dashboard no longer fetches new elements by itself."


def update_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of what became of each fleet's update."""
    return [
        Column("fleet", "Fleet", TEXT),
        Column("outcome", "Update", Format(lambda outcome: _OUTCOMES[outcome], numeric=False)),
        Column("objects", "Objects", COUNT, 1),
        Column("skipped", "Left out", COUNT, 2),
        time_column(clock, "fetched_at", "In use since"),
        time_column(clock, "next_at", "Next"),
        Column("source", "Source", TEXT, below=True),
    ]


def plan_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of what an update would ask, and when."""
    return [
        Column("fleet", "Fleet", TEXT),
        time_column(clock, "fetched_at", "In use since"),
        time_column(clock, "requested_at", "Asked last"),
        time_column(clock, "next_at", "Next"),
        Column("source", "Source", TEXT, below=True),
    ]


def source_words(feed: Address | Folder) -> str:
    """Return what a feed is called: its address, or its folder."""
    return getattr(feed, "address", None) or f"the folder {getattr(feed, 'folder', '')}"


def origin_words(origin: Origin) -> str:
    """Say where the elements in use came from, and when."""
    place = urlsplit(origin.source).netloc or origin.source
    return f"{place}, as it was at {instant(origin.fetched_at)}"


def update_sentence(fleet: str, feed: Address | Folder, update: Update, now: datetime, why: str) -> str:
    """Say what became of the update of a fleet; `why` is its error, as the face words it, empty where there is none."""
    where = getattr(feed, "host", None) or source_words(feed)
    in_use = _in_use(update, now)
    if update.outcome == "new":
        left_out = f"; {counted(update.skipped, 'record')} could not be used" if update.skipped else ""
        sentence = f"{fleet}: fresh elements of {counted(update.objects, 'satellite')} came from {where}{left_out}."
        return f"{sentence} Another file could not be read. {why}." if why else sentence
    if update.outcome == "unchanged":
        return f"{fleet}: {where} has nothing new. {in_use}"
    if update.outcome == "not due":
        sentence = f"{fleet}: {where} is not due for another {_wait(update.next_at, now)} and was not asked. {in_use}"
        return f"{sentence} The last request failed: {update.last_failure}." if update.last_failure else sentence
    return f"{fleet}: the update failed. {why}. {in_use}"


def plan_sentence(state: FeedState, now: datetime) -> str:
    """Say what an update would do for a fleet."""
    where = getattr(state.feed, "host", None)
    if where is None:
        return f"{state.fleet}: would look into {source_words(state.feed)}."
    if (state.due_at - now).total_seconds() <= 1.0:
        return f"{state.fleet}: would ask {where} now."
    return f"{state.fleet}: would not ask {where} for another {_wait(state.due_at, now)}."


def state_sentence(state: FeedState, now: datetime) -> str:
    """Say where a fleet's elements come from, since when those in use are there, and when the feed is due."""
    where = getattr(state.feed, "host", None) or source_words(state.feed)
    came = (
        "nothing has come yet"
        if state.newest is None
        else f"those in use came {_length((now - state.newest.fetched_at).total_seconds())} ago"
    )
    sentence = f"The elements of {state.fleet} come from {where}; {came}."
    if getattr(state.feed, "host", None) is not None:
        due = (state.due_at - now).total_seconds()
        sentence += " It is due to be asked now." if due <= 1.0 else f" It is due in {_length(due)}."
    return f"{sentence} The last request failed: {state.noted.failure}." if state.noted.failure else sentence


def _in_use(update: Update, now: datetime) -> str:
    if update.snapshot is None:
        return "There are no elements yet."
    return f"Those that came {_length((now - update.snapshot.fetched_at).total_seconds())} ago stay in use."


def _wait(moment: datetime | None, now: datetime) -> str:
    return "moment" if moment is None else _length((moment - now).total_seconds())


def _length(seconds: float) -> str:
    from passim.forecast import timing

    return timing.age_words(max(seconds, 60.0))
