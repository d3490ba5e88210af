"""Writing answers: a table for people, CSV or JSON for machines; files whole or not at all; progress on a terminal.

A command makes one `Answer` and hands it to `write`. The same rows become all three formats:

    table   a sentence, the rows in local time, the notes, on standard output
    csv     the rows alone in UTC with local columns beside them and, where they hold for one site, a column that names
            it; the sentence and the notes go to standard error
    json    {"command", "answer", <facts>, "notes", "rows"} in one object

Notes that only tell where an answer comes from are left out of the first two unless --notes is given.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import sys
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from ..text import notes as note_words
from ..text.answer import Answer, plain_numbers, plain_rows, rows_of_site
from ..text.columns import Column, cells_of, with_offset
from ..text.units import counted, printable, wrapped
from .parsing import OutputChoice, check_out
from .table import table_lines, width

if TYPE_CHECKING:
    from passim import Fleet
    from passim.errors import InputError

_PATIENCE_S = 1.0
# Where no bar can be drawn, a line so often.
_LINE_EVERY_S = 15.0
# A page that shows how far the work is asks twice a second.
_SHARE_STEP = 0.02


class RowStream:
    """Rows of CSV written as they come, each flushed, where the answer is to be CSV; elsewhere they go nowhere.

    With --out they go to the file from the first on, so that whatever ends the work leaves them there; `write` then
    puts the whole answer in its place. On standard output they are the answer, in the order in which they came. Raises
    InputError where --out cannot be written.
    """

    def __init__(self, choice: OutputChoice) -> None:
        self._choice, self.written = choice, 0
        self._file: TextIO | None = None

    def __enter__(self) -> RowStream:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None and self._choice.out is not None:
            self._file.close()

    def add(self, row: Mapping[str, Any]) -> None:
        """Write one row; all have the same columns, which the first one names."""
        if self._choice.format != "csv":
            return
        try:
            if self._file is None:
                self._file = self._opened()
                csv.writer(self._file, lineterminator="\n").writerow(row)
            csv.writer(self._file, lineterminator="\n").writerow(plain_numbers(row).values())
            self._file.flush()
        except OSError as error:
            if self._choice.out is None:
                raise
            raise _unwritable(self._choice.out, error) from None
        self.written += 1

    def _opened(self) -> TextIO:
        if self._choice.out is None:
            return sys.stdout
        return Path(self._choice.out).open("w", encoding="utf-8", newline="")


def write(answer: Answer, choice: OutputChoice, *, streamed: bool = False) -> None:
    """Write the answer as the user chose; rows that were `streamed` to standard output stand there already.

    Raises InputError where --out cannot be written.
    """
    left_out = note_words.left_out(answer.notes)
    if left_out:
        answer = replace(answer, sentence="\n".join([*left_out, answer.sentence]))
    if choice.format == "json":
        text = _json_text(answer)
    elif choice.format == "csv":
        text = _csv_text(answer)
    else:
        text = _people_text(answer, choice)
    if choice.out is not None:
        write_file(choice.out, text)
    elif not streamed or choice.format != "csv":
        click.echo(text, nl=False)
    # Standard output holds nothing but the rows when the rows are CSV, so the words go to standard error.
    if choice.format == "csv":
        echo_err(answer.in_one_line, *note_lines(answer, choice))
    if choice.out is not None:
        echo_err(f"Wrote {counted(len(answer.rows), 'row')} to {choice.out}.")


def note_lines(answer: Answer, choice: OutputChoice) -> list[str]:
    """Return the notes to show to a person, and how to see those that are left out."""
    notes, more = note_words.shown(answer.notes, quiet=choice.quiet, every=choice.all_notes)
    return notes if choice.quiet or not more else [*notes, f"{counted(more, 'more note')}: --notes shows all."]


def echo_err(*sentences: str) -> None:
    """Write sentences for a person on standard error, one a line."""
    for sentence in sentences:
        click.echo(printable(sentence), err=True)


def write_file(path: str, text: str, option: str = "--out") -> None:
    """Write `text` to the `path` of an option as UTF-8, whole or not at all. Raises InputError where that fails."""
    from passim.elements import atomic

    check_out(path, option)
    data, target = text.encode("utf-8"), Path(path)
    try:
        if target.exists() and not target.is_file():  # a pipe or a device has nothing to replace
            target.write_bytes(data)
        else:
            atomic.write_atomically(target, data)
    except OSError as error:
        raise _unwritable(path, error, option) from None


def _unwritable(path: str, error: OSError, option: str = "--out") -> InputError:
    from passim.errors import InputError

    return InputError(f"{option} cannot be written: {error.strerror}", got=path, try_next="another folder")


def _csv_text(answer: Answer) -> str:
    site = answer.facts.get("site")
    name = site["name"] if isinstance(site, Mapping) else site
    columns, rows = rows_of_site(*plain_rows(answer.rows, answer.clock), name)
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([str(v).lower() if isinstance(v, bool) else v for v in row])
    return buffer.getvalue()


def _json_text(answer: Answer) -> str:
    columns, rows = plain_rows(answer.rows, answer.clock)
    head = {
        "command": answer.command,
        "answer": answer.in_one_line,
        **answer.facts,
        "notes": note_words.beside(answer.notes),
    }
    parts = [f" {json.dumps(key)}: {json.dumps(value, allow_nan=False)}" for key, value in head.items()]
    # One row a line keeps a long file readable, and its differences too.
    lines = [json.dumps(dict(zip(columns, row, strict=True)), allow_nan=False) for row in rows]
    parts.append(' "rows": [' + "".join(f"\n  {line}{',' * (i < len(lines))}" for i, line in enumerate(lines, 1)) + "]")
    return "{\n" + ",\n".join(parts) + "\n}\n"


def _people_text(answer: Answer, choice: OutputChoice) -> str:
    most = width()
    lines: list[str] = []
    for line in answer.sentence.splitlines():
        lines += wrapped(printable(line), most)
    shown = answer.rows if choice.show_all else answer.rows.head(answer.longest_table)
    left_out: list[Column] = []
    if len(shown):
        table, left_out = table_lines(cells_of(with_offset(answer.columns, answer.clock), shown), most)
        lines += table
    hidden = len(answer.rows) - len(shown)
    if hidden:
        more = f"{counted(hidden, 'more row')}: --all shows them, --format csv or json writes them."
        lines += [*wrapped(more, most), ""]
    elif not len(shown):
        lines.append("")
    notes = note_lines(answer, choice)
    if left_out:
        notes = [_left_out_note(left_out, most), *notes]
    # One thought a line: a paragraph of them all is not read.
    for note in notes:
        lines += wrapped(printable(note), most, "- ", "  ")
    return "".join(f"{line}\n" for line in lines)


def _left_out_note(columns: Sequence[Column], most: int) -> str:
    """Say which columns had no room, and where they are."""
    names = ", ".join(column.heading for column in columns)
    return f"Left out at a width of {most}: {names}. A wider window shows them, --format csv has them all."


def _share_teller(what: str) -> Callable[[float], None]:
    """Return the function that is told how much is done, and writes it for the program that began this one."""
    shown = 0.0

    def write(done: float) -> None:
        print(f"share {done:.2f} {what}", file=sys.stderr, flush=True)

    def advance(done: float) -> None:
        nonlocal shown
        if done - shown >= _SHARE_STEP:
            shown = done
            write(done)

    write(0.0)
    return advance


def _line_teller(what: str) -> Callable[[float], None]:
    """Return the function that is told how much is done, and writes it on a line of standard error now and then."""
    shown_s = time.monotonic()

    def advance(done: float) -> None:
        nonlocal shown_s
        if time.monotonic() - shown_s >= _LINE_EVERY_S:
            shown_s = time.monotonic()
            echo_err(f"{what}: {100.0 * done:.0f} %")

    return advance


@contextlib.contextmanager
def progress(what: str, *, lines: bool = False) -> Iterator[Callable[[float], None] | None]:
    """Give the function that is told how much is done, from 0 to 1; it draws a bar once the work lasts over a second.

    Where standard error is no terminal it gives None and draws nothing, or with `lines` writes a line now and then, as
    for work that lasts minutes. A program that has set PASSIM_TELL_SHARE reads shares instead.
    """
    if os.environ.get("PASSIM_TELL_SHARE"):
        yield _share_teller(what)
        return
    if not sys.stderr.isatty():
        yield _line_teller(what) if lines else None
        return
    with contextlib.ExitStack() as stack:
        bar: Any = None
        began_s = time.monotonic()

        def advance(done: float) -> None:
            nonlocal bar
            if bar is None and time.monotonic() - began_s > _PATIENCE_S:
                from rich.console import Console
                from rich.progress import Progress

                bar = stack.enter_context(Progress(console=Console(stderr=True), transient=True))
                bar.add_task(what, total=1.0)
            if bar is not None:
                bar.update(bar.task_ids[0], completed=done)

        yield advance


def write_element_file(fleet: Fleet, path: str) -> str:
    """Write element sets to `path`, and return a sentence on what the form rounds; empty where nothing is lost.

    Raises ElementsError.
    """
    from passim import RoundedElementsWarning, write_elements

    from ..text.skipped import rounded_words

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        write_elements(fleet, path)
    rounded = [each.message for each in caught if isinstance(each.message, RoundedElementsWarning)]
    return "".join(f" {rounded_words(each.fields, len(fleet))}" for each in rounded)
