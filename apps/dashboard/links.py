"""Links in sentences: where a sentence names a page, or a section of one, it leads there."""

from __future__ import annotations

import re
from functools import cache
from typing import Any, Final

from dash import html

from ..text.pages import SECTIONS

# What opens a page in place; assets/passim.js takes the click, and opens the section that the fragment names.
CLASS: Final = "way"


def linked(text: str, query: str = "") -> Any:
    """Return a sentence as Dash children: every page that it names is a link, with the choices of the address.

    A sentence that names none comes back as it is.
    """
    parts: list[Any] = []
    end = 0
    for found in _names().finditer(text):
        parts += [text[end : found.start()], _link(found[0], query)]
        end = found.end()
    return [part for part in (*parts, text[end:]) if part] if parts else text


def _link(words: str, query: str) -> Any:
    path, fragment = SECTIONS.get(words, ("", ""))
    if not path:
        name = words.removeprefix("page ")
        path = "/" if name == "Now" else f"/{name.lower()}"
    return html.A(words, href=f"{path}{query}{f'#{fragment}' if fragment else ''}", className=CLASS)


@cache
def _names() -> re.Pattern[str]:
    from .pages import PAGES

    sections = [re.escape(words) for words in SECTIONS]
    pages = "|".join(page.name for page in PAGES)
    return re.compile("|".join([*sections, rf"page (?:{pages})\b"]))
