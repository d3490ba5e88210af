"""Filling the HTML templates of a room: what comes from a user is made printable and escaped where it enters.

Numbers stay on one line with their units, as on the pages.
"""

from __future__ import annotations

import functools
from typing import Any

import jinja2
from markupsafe import Markup

from .units import printable, unbroken


def filled(room: str, name: str, **values: Any) -> str:
    """Return the template `name` of an import package, such as ``passim_apps.report``, with its values put in."""
    return _templates(room).get_template(name).render(values)


@functools.cache
def _templates(room: str) -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader(room),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_set,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def _set(value: Any) -> Any:
    return unbroken(printable(value)) if isinstance(value, str) and not isinstance(value, Markup) else value
