"""What a new workspace needs to know: given by options, or asked for one by one, each answer checked at once.

A question reads its answer the same way wherever it comes from: a slip in an option ends the command in one line, a
slip on a terminal is told in that line too, and the question comes again.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import click

from ..text.units import HEIGHT_ABOVE_ELLIPSOID, HOW_TO_GET_A_HEIGHT
from .output import echo_err
from .parsing import gateway, mask, number
from .times import hours_of_day

if TYPE_CHECKING:
    from passim.sky import limits
    from passim.spans import DailyHours
    from passim.workspace import SiteSettings

_WORKING_DAYS = "mon-fri"


@dataclass(frozen=True)
class Question:
    """One thing to know: the option that gives it, the words that ask for it, and how its text is read.

    `read` raises InputError. Without an answer a question that is `needed` comes again, and any other leaves the thing
    open; `default` is what Enter alone stands for.
    """

    option: str
    words: str
    read: Callable[[str], Any]
    needed: bool = False
    default: str = ""


@dataclass
class Answers:
    """What is known of a new workspace, by option: the texts as they were given, and what they say.

    Options that may be repeated have one entry a time. ``typed`` says whether anything was typed.
    """

    texts: dict[str, list[str]] = field(default_factory=dict)
    values: dict[str, list[Any]] = field(default_factory=dict)
    typed: bool = False

    def take(self, question: Question, text: str) -> None:
        """Read one text and keep it. Raises InputError, and keeps nothing then."""
        value = question.read(text)
        self.texts.setdefault(question.option, []).append(text)
        self.values.setdefault(question.option, []).append(value)

    def first(self, option: str, otherwise: Any = None) -> Any:
        """Return what an option says, or `otherwise` where it is open."""
        return self.values.get(option, [otherwise])[0]

    def command(self, directory: str) -> str:
        """Return the command that makes the same workspace without a question."""
        # An answer such as -28 would look like an option of its own, which the sign of equality prevents.
        words = [f"{option}={text}" for option, texts in self.texts.items() for text in texts]
        return shlex.join(["passim", "workspace", "new", directory, *words])


def read_answers(given: Mapping[str, tuple[str, ...]], answers: Answers, *, ask: bool) -> None:
    """Put what the options give into `answers`, and ask for the rest where `ask` says that there is somebody to ask.

    Whoever has given the place by options is not asked about what may stay open. Raises InputError for an option, and
    UsageError where something needed is missing and nobody can be asked.
    """
    # All options first: a slip in the last should not wait until the others have been asked for.
    for question in (*QUESTIONS, SPOT):
        for text in given.get(question.option, ()):
            answers.take(question, text)
    missing = [question.option for question in QUESTIONS if question.needed and question.option not in answers.texts]
    if not missing:
        return
    if not ask:
        raise click.UsageError(f"a site needs {' and '.join(missing)}; --demo writes the invented scenario instead.")
    for question in QUESTIONS:
        days_of_nothing = question.option == "--weekdays" and "--call-hours" not in answers.texts
        if question.option not in answers.texts and not days_of_nothing:
            _ask(question, answers)


def site_of(answers: Answers) -> SiteSettings:
    """Return the site that the answers describe. Raises UsageError for days without hours."""
    from passim.workspace import new_site

    hours, days = answers.first("--call-hours"), answers.first("--weekdays")
    if hours is None and days is not None:
        raise click.UsageError("--weekdays needs --call-hours: give the hours too.")
    call_hours = None
    if hours is not None:
        call_hours = replace(hours, weekdays=_days(_WORKING_DAYS) if days is None else days)
    mask_deg, horizon_file = answers.first("--mask", (None, None))
    return new_site(
        name=answers.first("--name"),
        latitude_deg=answers.first("--latitude"),
        longitude_deg=answers.first("--longitude"),
        height_m=answers.first("--height", 0.0),
        zone=answers.first("--zone"),
        mask_deg=mask_deg,
        horizon_file=horizon_file,
        spot=answers.first("--spot", "roof"),
        call_hours=call_hours,
    )


def _ask(question: Question, answers: Answers) -> None:
    """Ask until the answer can be used, or is left open where it may be."""
    from passim.errors import InputError

    while True:
        text = click.prompt(
            question.words, default=question.default, show_default=bool(question.default), err=True
        ).strip()
        if not text and not question.needed:
            return
        try:
            answers.take(question, text)
        except InputError as error:
            # An option's name says nothing to somebody who is typing an answer.
            what, try_next = (re.sub(r"^--[a-z-]+ ?", "", words) for words in (error.what, error.try_next))
            what = what or question.option.removeprefix("--")
            echo_err(str(InputError(what, got=error.got, wanted=error.wanted, try_next=try_next)))
        else:
            answers.typed = True
            return


# --- how each answer is read ------------------------------------------------------------------------------------------


def _name(text: str) -> str:
    from passim.workspace import check_name

    check_name(text, "name of the site")
    return text


def _spot(text: str) -> str:
    from passim.workspace import check_name

    check_name(text, "name of the mounting spot")
    return text


def _latitude(text: str) -> float:
    from passim import Site

    return Site("the site", number(text, "latitude", "degrees", "47.2"), 0.0).latitude_deg


def _longitude(text: str) -> float:
    from passim import Site

    return Site("the site", 0.0, number(text, "longitude", "degrees", "-28.1")).longitude_deg


def _height(text: str) -> float:
    from passim import Site

    return Site("the site", 0.0, 0.0, number(text, "height", "metres", "40")).height_m


def _zone(text: str) -> str:
    from passim.spans import zone

    zone(text)
    return text


def _mask(text: str) -> tuple[float, str | None]:
    """Return the elevation of the roof line all round and no file, or any elevation and the file that holds it."""
    horizon, _ = mask(text)
    try:
        return float(text), None
    except ValueError:
        return horizon.lowest_deg, text


def _gateway(text: str) -> limits.Gateway:
    return gateway(text)


def _elements(text: str) -> list[str]:
    """Return the paths of element files, several with commas between them where no file has such a name."""
    from pathlib import Path

    from passim import read_elements
    from passim.elements import TOLERATED_SHARE

    paths = [text] if Path(text).exists() else [part.strip() for part in text.split(",") if part.strip()]
    read_elements(paths or [text], lenient=TOLERATED_SHARE)
    return paths


def _hours(text: str) -> DailyHours | None:
    return hours_of_day(text, "--call-hours", try_next="08:00-18:00")


def _days(text: str) -> tuple[int, ...]:
    from passim.spans import parse_weekdays

    return parse_weekdays(text, "--weekdays")


QUESTIONS = (
    Question("--name", "Name of the site, such as Marram", _name, needed=True),
    Question("--latitude", "Latitude in degrees, north positive, such as 47.2", _latitude, needed=True),
    Question("--longitude", "Longitude in degrees, east positive, such as -28.1", _longitude, needed=True),
    Question(
        "--height",
        f"{HEIGHT_ABOVE_ELLIPSOID.capitalize()} in metres, such as 40 ({HOW_TO_GET_A_HEIGHT})",
        _height,
        default="0",
    ),
    Question("--zone", "Time zone, such as Atlantic/Azores (empty: the one at the coordinates)", _zone),
    Question(
        "--mask",
        "Roof line: a horizon file such as roof.csv, or degrees if clear down to them all round (empty: later)",
        _mask,
    ),
    Question("--gateway", "Gateway as LAT,LON, such as 39.6,-28.0 (empty: unknown)", _gateway),
    Question("--elements", "Element file of the fleet, such as fleet.json (empty: later)", _elements),
    Question("--call-hours", "Hours for calls, such as 09:00-17:00 (empty: none)", _hours),
    Question("--weekdays", "Days for calls, such as mon-fri or mon,wed", _days, default=_WORKING_DAYS),
)
# Nobody is asked for the name of the one spot there is.
SPOT = Question("--spot", "", _spot)
