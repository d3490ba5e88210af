"""What a page is, and what it answers: declarations and plain records, no Dash."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd
import plotly.graph_objects as go

from ..figures.theme import Theme
from ..text.answer import Help as Help
from ..text.columns import Column
from ..text.notes import Note
from ..text.units import LocalClock

if TYPE_CHECKING:
    from dash import Dash

    from passim import View
    from passim.parallel import Job

    from .state import DashboardState, PageRequest


@dataclass(frozen=True)
class Panel:
    """A place on a page for a picture, a table, or both; ``name`` is a word for the address and for ids.

    One that is ``quiet`` shows its sentence, and keeps picture and table behind a row to open. ``times`` says what of
    it tells single times, and is left out where elements are too old for them: "picture", "table".
    """

    name: str
    title: str
    help: Help
    picture: bool = True
    table: bool = True
    times: Sequence[Literal["picture", "table"]] = ()
    quiet: bool = False


@dataclass(frozen=True)
class Control:
    """A choice of a page's own. `options` gives (value, words) pairs; the first is taken where nothing is chosen.

    The value of the first goes unsaid in the address, so that a plain address means the usual. One that is `placed` by
    the page itself does not stand beside its first picture.
    """

    key: str
    label: str
    options: Callable[[PageRequest], Sequence[tuple[str, str]]]
    placed: bool = False


@dataclass(frozen=True)
class Table:
    """Numbers as a table: rows for files, columns that word them for people, as `Answer` of the command line has them.

    Where the file holds more than a person wants to read, ``shown`` are the rows for people, and ``file_note`` says
    what the file has besides. The file of a table ``of_site`` names the site in each row. A table without a row
    waits closed where ``closed_if_empty``, because the panel's sentence says so. On paper stand at most the first
    ``on_paper`` rows; ``most_rows`` is how many the browser is given at most, where the usual number would cut a day
    short.
    """

    rows: pd.DataFrame
    columns: Sequence[Column]
    clock: LocalClock | None = None
    empty: str = "There is nothing to list."
    shown: pd.DataFrame | None = None
    file_note: str = ""
    of_site: bool = True
    closed_if_empty: bool = False
    on_paper: int | None = None
    most_rows: int | None = None


@dataclass(frozen=True)
class PanelContent:
    """What a panel shows: the figure, one sentence that says what to see, and the table.

    ``about`` is what holds of this very answer and waits behind the question mark, such as how near its figures are.
    """

    figure: go.Figure | None = None
    caption: str = ""
    table: Table | None = None
    about: str = ""


@dataclass(frozen=True)
class Answer:
    """What a page shows: its sentence, a second line of lesser weight, its panels by name, and the notes at its end.

    What must be read together with the sentence stands right ``beside`` it.

    Where a part of it is still being worked out, such as one picture of several, ``still`` is that work: the page shows
    the rest, and how far it is, and asks again when it is done. ``live`` is what the browser counts down by itself.
    ``figures`` are up to three, each with what it counts, for beside the picture where the page is wide.
    """

    sentence: str
    panels: dict[str, PanelContent]
    notes: Sequence[Note] = ()
    second: str = ""
    still: Job | None = None
    live: Live | None = None
    figures: Sequence[tuple[str, str]] = ()
    beside: str = ""


@dataclass(frozen=True)
class Live:
    """What the browser goes on telling by itself between two answers: whether to call, and a countdown.

    ``gaps_ms`` are the starts and ends of gaps up to ``until_ms`` and of the first one after it, in milliseconds since
    1970 by the dashboard's clock, which says ``now_ms``; ``gap_words`` are what is said of each before it comes. The
    words hold "{}" where a length of time is put.
    """

    now_ms: float
    until_ms: float
    gaps_ms: Sequence[tuple[float, float]]
    gap_words: Sequence[str]
    verdict: str
    out: str
    ahead: str
    calm: str
    serving: str
    not_serving: str


@dataclass(frozen=True)
class Page:
    """A page: where it is, what it is called, what it always has, and how it answers.

    ``asks`` is the question it answers, by which people find it; ``uses`` says which of the choices that all pages
    share matter to it. A page that moves with the clock is drawn anew every ``tick_s`` seconds. ``extra`` gives Dash
    components of its own for beside the first picture, ``below`` for after it, ``register`` their callbacks. A page
    that `loads` elements is of use where there are none, or only old ones; one that `looks_back` tells of days gone by,
    whatever the age of today's elements. ``views`` are the places that its answer is about, where that is not the one
    chosen alone. ``private`` are choices whose answer is for the browser alone that asks.
    """

    path: str
    name: str
    asks: str
    panels: Sequence[Panel]
    answer: Callable[[PageRequest, Theme], Answer]
    controls: Sequence[Control] = ()
    uses: Sequence[str] = ("place", "day", "mask", "fleet")
    tick_s: float | None = None
    extra: Callable[[PageRequest], Any] | None = None
    below: Callable[[PageRequest], Sequence[Any]] | None = None
    register: Callable[[Dash, DashboardState], None] | None = None
    loads: bool = False
    looks_back: bool = False
    views: Callable[[PageRequest], Sequence[View]] | None = None
    private: Sequence[str] = ()

    def panel(self, name: str) -> Panel | None:
        """Return the panel of that name."""
        return next((panel for panel in self.panels if panel.name == name), None)
