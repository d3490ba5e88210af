"""Uploads: the place on a page where files are chosen or dropped, and what becomes of them.

`Upload` is that place, the same on every page, and its callbacks. An upload is an attempt: a function that takes the
files, and raises `Pending` while a worker still reads one of them. `UploadAttempts` keeps the attempt under a token, so
that no thread waits for the worker; the page asks again with it, and the attempt is made anew once the work is done,
which then finds the result where the state keeps it.
"""

from __future__ import annotations

import base64
import binascii
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html, no_update

from passim.errors import InputError, PassimError
from passim.parallel import Job

from ..text.ways_out import in_page_words
from .state import Pending

Attempt = Callable[[], Any]

# Each keeps its files in memory, some 40 MB at most.
_MOST: Final = 4
_POLL_MS: Final = 400


class Waiting(Exception):
    """A worker still reads what was handed in; `token` asks for it."""

    def __init__(self, token: str) -> None:
        super().__init__("still reading")
        self.token = token


class UploadAttempts:
    """The attempts under way at one place of a page, and how the last ones ended.

    A page that asks every moment may have asked again before it hears that the work is done, and then takes the later
    answer: so that one says the same.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._attempts: OrderedDict[str, tuple[Attempt, Job]] = OrderedDict()
        self._made_anew: set[str] = set()
        self._ended: OrderedDict[str, tuple[Any, PassimError | None]] = OrderedDict()

    def start(self, attempt: Attempt) -> Any:
        """Return what an attempt returns. Raises Waiting where it must be asked for again, InputError."""
        with self._lock:
            if len(self._attempts) >= _MOST:
                # Of those whose page never asked again the work is over long ago.
                for token in [token for token, (_, job) in self._attempts.items() if job.done.is_set()]:
                    del self._attempts[token]
            if len(self._attempts) >= _MOST:
                raise InputError(
                    "files", got=f"{_MOST + 1} uploads at once", wanted=f"at most {_MOST}", try_next="in a minute"
                )
        return self._attempt(secrets.token_urlsafe(16), attempt)

    def ask(self, token: str) -> Any:
        """Return what the attempt of a token returns. Raises Waiting, InputError."""
        with self._lock:
            found, ended = self._attempts.get(token), self._ended.get(token)
            made_anew = token in self._made_anew
        if ended is not None:
            result, error = ended
            if error is not None:
                raise error
            return result
        if made_anew:
            raise Waiting(token)  # another answer to the same page is at it
        if found is None:
            raise InputError("files", got="an upload that is no longer known", wanted="them", try_next="once more")
        attempt, job = found
        if not job.done.is_set():
            raise Waiting(token)
        with self._lock:
            if self._attempts.pop(token, None) is None:
                raise Waiting(token)  # the same, begun meanwhile
            self._made_anew.add(token)
        try:
            return self._attempt(token, attempt)
        finally:
            with self._lock:
                self._made_anew.discard(token)

    def _attempt(self, token: str, attempt: Attempt) -> Any:
        result, fault = None, None
        try:
            result = attempt()
        except Pending as still:
            with self._lock:
                self._attempts[token] = (attempt, still.job)
            raise Waiting(token) from None
        except PassimError as error:
            fault = error
        with self._lock:
            self._ended[token] = (result, fault)
            while len(self._ended) > _MOST:
                self._ended.popitem(last=False)
        if fault is not None:
            raise fault
        return result


@dataclass(frozen=True)
class Upload:
    """A place where files are handed in. Its parts have the ids KEY-file, KEY-messages, KEY-token and KEY-poll.

    words           what its button says
    most_bytes      the largest files, together, that a browser may send
    multiple        whether several may be handed in at once
    """

    key: str
    words: str
    most_bytes: int
    multiple: bool = False

    def place(self) -> list[Any]:
        """Return the place, and below it the line that says what became of the files."""
        return [self.drop(), *self.messages()]

    def drop(self) -> Any:
        """Return the place alone, for a page that hides it while it has a file."""
        return drop_place(f"{self.key}-file", self.words, most_bytes=self.most_bytes, multiple=self.multiple)

    def messages(self) -> list[Any]:
        """Return the line that says what became of the files, and what asks again while they are read."""
        return [
            html.Div(id=f"{self.key}-messages", role="status"),
            dcc.Store(id=f"{self.key}-token"),
            # A slow clock, which asks again while a worker reads.
            dcc.Interval(id=f"{self.key}-poll", interval=_POLL_MS, disabled=True),
        ]

    def register(
        self,
        app: Dash,
        take: Callable[..., Any],
        done: Callable[..., Sequence[Any]],
        outputs: Sequence[Output],
        states: Sequence[State] = (),
        again: Input | None = None,
    ) -> None:
        """Take the files that are handed in at this place.

        `take` gets them as (name, contents) and the `states` of the page; it may raise `Pending`, and PassimError for
        what cannot be used, which becomes one line: the old state stays, and the same file can be handed in again.
        `done` gets what it returned and the states as they are by then, and returns what to say and a value for each of
        the `outputs`, which allow duplicates. On `again`, such as a button's clicks, `take` gets no files: those
        that it kept are meant.
        """
        handed, nothing = UploadAttempts(), (no_update,) * len(outputs)
        ours = [
            Output(f"{self.key}-messages", "children", allow_duplicate=True),
            *outputs,
            Output(f"{self.key}-token", "data", allow_duplicate=True),
            Output(f"{self.key}-poll", "disabled", allow_duplicate=True),
        ]

        def shown(run: Callable[[], Any], given: Sequence[Any]) -> tuple[Any, ...]:
            try:
                found = run()
            except Waiting as waiting:
                return html.P("Reading…", className="quiet"), *nothing, waiting.token, False
            except PassimError as error:
                return fault_line(error), *nothing, None, True
            return *done(found, *given), None, True

        @app.callback(
            *ours,
            Output(f"{self.key}-file", "contents"),
            Input(f"{self.key}-file", "contents"),
            State(f"{self.key}-file", "filename"),
            *states,
            prevent_initial_call=True,
        )
        def hand_in(contents: Any, names: Any, *given: Any) -> Any:
            if not contents:
                return (no_update,) * (len(ours) + 1)
            one = isinstance(contents, str)
            files = [(str(names), contents)] if one else list(zip(names, contents, strict=True))
            return *shown(lambda: handed.start(lambda: take(files, *given)), given), None

        if again is not None:

            @app.callback(*ours, again, *states, prevent_initial_call=True)
            def take_again(clicks: int | None, *given: Any) -> Any:
                if not clicks:
                    return (no_update,) * len(ours)
                return shown(lambda: handed.start(lambda: take([], *given)), given)

        @app.callback(
            *ours,
            Input(f"{self.key}-poll", "n_intervals"),
            State(f"{self.key}-token", "data"),
            *states,
            prevent_initial_call=True,
        )
        def ask_again(_: int | None, token: Any, *given: Any) -> Any:
            if not token:
                return *(no_update,) * (len(ours) - 1), True
            return shown(lambda: handed.ask(str(token)), given)


def fault_line(error: PassimError) -> Any:
    """Return the line that says why something handed in cannot be used."""
    return html.P(in_page_words(error), className="fault", role="alert")


def drop_place(key: str, words: str, *, most_bytes: int, multiple: bool = False) -> Any:
    """Return a place to choose files or to drop them: the dcc.Upload `key`, in which a button says what to do.

    Files that are larger than `most_bytes` together are refused before they are sent, in one line: dcc.Upload itself
    would say nothing. That, and the name of the field behind it from the heading of its section, are the business of
    assets/passim.js.
    """
    upload = dcc.Upload(
        html.Button(words, className="drop-button", type="button"),
        id=key,
        multiple=multiple,
        max_size=most_bytes,
        className="drop",
        className_active="drop over",
        className_reject="drop",
    )
    fault = html.P(className="fault too-large", role="alert")
    largest: dict[str, Any] = {"data-most-bytes": str(most_bytes)}
    return html.Div([upload, fault], className="drop-place", **largest)


def bytes_of(name: str, text: str, most: int | None = None) -> bytes:
    """Return the bytes of a file called `name` that a browser handed in as `text`.

    Raises InputError for what is no file, and for one of more than `most` bytes.
    """
    _, comma, body = text.partition(",")
    try:
        data = base64.b64decode(body, validate=True) if comma else b""
    except (binascii.Error, ValueError):
        raise InputError(f"file {name[:80]}", got="something else", wanted="a file as browsers send it") from None
    if most is not None and len(data) > most:
        raise InputError(f"file {name[:80]}", got=f"{len(data):,} bytes", wanted=f"at most {most / 1e6:g} MB")
    return data
