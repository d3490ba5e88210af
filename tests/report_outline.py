"""A report's page as its reader finds it: tables as text, headings, figures as data, and all that would be loaded."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

import numpy as np


class Outline(HTMLParser):
    """The parts of a page that matter: tables as rows of text, headings, and every attribute that loads something."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tables: dict[str, list[list[str]]] = {}
        self.heads: dict[str, list[str]] = {}
        self.loads: list[tuple[str, str]] = []
        self.texts: dict[str, list[str]] = {}
        self.pictures: dict[str, str] = {}
        self._table, self._open, self._picture = "", "", ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.loads += [(tag, str(given[name])) for name in ("src", "href", "srcset", "data", "action") if name in given]
        if tag == "br":
            return
        self._open, self._picture = tag, given.get("data-picture") or ""
        if tag == "table":
            self._table = str(given["id"])
            self.tables[self._table], self.heads[self._table] = [], []
        elif tag == "tr" and self._table:
            self.tables[self._table].append([])
        elif tag == "td":
            self.tables[self._table][-1].append("")
        elif tag == "th":
            self.heads[self._table].append("")

    def handle_endtag(self, tag: str) -> None:
        self._open = ""
        if tag == "table":
            self.tables[self._table] = [row for row in self.tables[self._table] if row]
            self._table = ""

    def handle_data(self, data: str) -> None:
        # Numbers stay on one line with their units; what is said is the same.
        data = data.replace("\N{NO-BREAK SPACE}", " ")
        if self._open == "td":
            self.tables[self._table][-1][-1] += data
        elif self._open == "th":
            self.heads[self._table][-1] += data
        elif self._picture and self._open == "script":
            self.pictures[self._picture] = data
        elif self._open in ("h1", "h2", "h3", "p", "li", "title", "figcaption"):
            self.texts.setdefault(self._open, []).append(data)


def numbers(held: Any) -> np.ndarray:
    """Return the numbers of a trace: a list, or plotly's packed form of type and bytes."""
    if isinstance(held, dict):
        return np.frombuffer(base64.b64decode(held["bdata"]), dtype=np.dtype(held["dtype"]).newbyteorder("<"))
    return np.array(held, dtype=float)


def itertext(outline: Outline) -> Iterator[str]:
    for texts in outline.texts.values():
        yield from texts
