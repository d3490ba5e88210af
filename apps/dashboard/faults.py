"""What becomes of a request that raises: one line for whoever asked, one in the log, no trace for forged requests.

A callback gets what a browser sends, and nothing keeps another program from sending something else: an unknown output,
a number where a text belongs. That raises wherever it is first used. Whoever sends it gets 400; the log names the error
and its place, and holds the trace at level DEBUG alone, so that nobody can fill the terminal from outside.
"""

from __future__ import annotations

import logging
import traceback
from pathlib import Path
from typing import Any, Final

import flask
from werkzeug.exceptions import HTTPException

from passim.parallel import WorkLost

from ..text.ways_out import in_a_sentence

_LOG: Final = logging.getLogger(__name__)
_CALLBACKS: Final = "/_dash-update-component"


def answer_faults(server: flask.Flask) -> None:
    """Register what `server` answers where a request raises."""

    @server.errorhandler(Exception)
    def fault(error: Exception) -> Any:
        if isinstance(error, HTTPException):
            return error
        if isinstance(error, WorkLost):
            return _line(in_a_sentence(error), 503)
        what = f"{type(error).__name__} at {_place(error)}"
        if flask.request.path == _CALLBACKS:
            _LOG.warning("a request from a page cannot be used: %s", what)
            _LOG.debug("its trace", exc_info=error)
            return _line("This request cannot be used. Reload the page.", 400)
        _LOG.error("defect in passim: %s", what, exc_info=error)
        return _line(f"This is a defect in passim: {what}.", 500)


def _place(error: BaseException) -> str:
    """Return the file and line where an error was raised."""
    frames = traceback.extract_tb(error.__traceback__)
    return f"{Path(frames[-1].filename).name}, line {frames[-1].lineno}" if frames else "an unknown place"


def _line(words: str, status: int) -> flask.Response:
    return flask.Response(f"{words}\n", status=status, mimetype="text/plain")
