"""What a browser hands in and a worker must look at first: taken without a thread that waits for the worker.

An upload is an attempt: a function that takes the files, and raises `Pending` while a worker still reads one of them.
`HandedIn` keeps the attempt under a token; the page asks again with it, and the attempt is made anew once the work is
done, which then finds the result where the state keeps it.
"""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, Final

from dash import dcc, html

from passim.errors import InputError
from passim.parallel import Job

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


class HandedIn:
    """The attempts under way at one place of a page."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._attempts: OrderedDict[str, tuple[Attempt, Job]] = OrderedDict()

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
            found = self._attempts.get(token)
        if found is None:
            raise InputError("files", got="an upload that is no longer known", wanted="them", try_next="once more")
        attempt, job = found
        if not job.done.is_set():
            raise Waiting(token)
        with self._lock:
            if self._attempts.pop(token, None) is None:
                raise Waiting(token)  # another answer to the same page is at it
        return self._attempt(token, attempt)

    def _attempt(self, token: str, attempt: Attempt) -> Any:
        try:
            return attempt()
        except Pending as still:
            with self._lock:
                self._attempts[token] = (attempt, still.job)
            raise Waiting(token) from None


def waiting_place(name: str) -> list[Any]:
    """Return what a page needs to ask again for the upload `name`: the stores of its token, and a slow clock."""
    return [dcc.Store(id=f"{name}-token"), dcc.Interval(id=f"{name}-poll", interval=_POLL_MS, disabled=True)]


def reading() -> Any:
    """Return the line that stands while a worker reads."""
    return html.P("Reading…", className="quiet")
