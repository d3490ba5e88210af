"""What an error says can be done: one code in the library, and each face's own name for it."""

from __future__ import annotations

import ast
import pickle
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import click
import pytest

import commands
import passim
from passim.elements.read_log import ReadLog
from passim.errors import ElementsError, InputError, SpanError, WayOut, WorkspaceError
from passim.line import TooFewOutages
from passim_apps.command_line.main import COMMANDS, main
from passim_apps.dashboard.pages import PAGES
from passim_apps.text import ways_out

START = datetime(2026, 11, 30, 8, tzinfo=UTC)
# The file of a workspace is for people to write in; what it says at its top is no error.
FOR_PEOPLE = {"creating.py"}


def spoken(path: Path) -> list[str]:
    """Return the strings of a module that are no docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    documents = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef))
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documents
    ]


def test_the_library_names_no_option_no_command_and_no_page() -> None:
    pages = "|".join(page.name for page in PAGES)
    of_a_face = re.compile(
        rf"(^|[\s('\"])--[a-z]|\bpassim ({'|'.join(COMMANDS)})\b|\bcommand line\b|\bpages? ({pages})\b|\b({pages}) page"
    )
    room = Path(passim.__file__).parent
    named = {
        (str(path.relative_to(room)), text)
        for path in room.rglob("*.py")
        if path.name not in FOR_PEOPLE
        for text in spoken(path)
        if of_a_face.search(text)
    }
    assert named == set()


def every_command(command: click.Command) -> Iterator[click.Command]:
    yield command
    for name in command.list_commands(click.Context(command)) if isinstance(command, click.Group) else ():
        below = command.get_command(click.Context(command), name)
        assert below is not None
        yield from every_command(below)


def test_every_way_out_has_a_name_on_each_face() -> None:
    assert set(ways_out.COMMAND) == set(ways_out.PAGE) == set(WayOut)
    options = {name for command in every_command(main) for param in command.params for name in param.opts}
    for words in ways_out.COMMAND.values():
        assert set(re.findall(r"--[a-z-]+", words)) <= options
    # Whoever is on a page has no options.
    assert not [words for way_out, words in ways_out.PAGE.items() if "--" in words]
    for way_out in WayOut:
        error = InputError("what", got=1, wanted="two", try_next="three", way_out=way_out, start=START)
        lines = {str(error), ways_out.in_command_words(error), ways_out.in_page_words(error)}
        assert all(line.startswith("what; got 1; wanted two; try three, or ") for line in lines)
        assert len(lines) == 3
        assert not any("{" in line for line in lines)


def test_an_error_keeps_its_way_out_on_its_way() -> None:
    error = SpanError("hours", wanted="some", way_out=WayOut.LATER_START, start=START)
    for same in (error, pickle.loads(pickle.dumps(error)), error.about("hours")):
        assert type(same) is SpanError
        assert str(same) == "hours; wanted some; try a span from 2026-11-30T08:00+00:00"
        assert ways_out.in_command_words(same) == "hours; wanted some; try --from 2026-11-30T08:00+00:00"
        assert ways_out.in_page_words(same) == "hours; wanted some; try days that reach Mon 30 Nov, 08:00"
    moved = error.about("school: hours")
    assert (str(moved), str(error)) == (f"school: {error}", str(error))
    problems = WorkspaceError("file", problems=["a", "b"]).about("other")
    assert problems.problems == ("a", "b")
    assert str(problems) == "other"


def test_too_few_outages_are_told_as_people_would() -> None:
    error = TooFewOutages("outages of the line", got=1, wanted="8 or more", try_next="a longer record")
    told = ways_out.in_page_words(pickle.loads(pickle.dumps(error)))
    assert told == "the record holds 1 freeze of the line so far, and it takes 8 to learn from"


def test_a_page_drops_no_next_step() -> None:
    try:
        ReadLog("sets.tle").refuse("line 14", ElementsError("a checksum", got=3, wanted=4))
    except ElementsError as error:
        told = ways_out.in_page_words(error)
    assert told.startswith("sets.tle, line 14: a checksum; got 3; wanted 4; try correcting the record, or ")
    assert "taking strict out of the workspace's file" in told


def test_arguments_that_no_command_takes_are_told_in_one_line(subtests: pytest.Subtests) -> None:
    for arguments, line in [
        (["gaps", "north", "5"], "argument; got 'north 5'; wanted options alone; try passim gaps --help"),
        (["gaps", "mask", "30"], "argument; got 'mask 30'; wanted options alone; try --mask"),
        (["gaps", "", ""], "argument; got ''; wanted options alone; try passim gaps --help"),
        (
            ["workspace", "new", "here", "there"],
            "argument; got 'there'; wanted DIR and options; try passim workspace new --help",
        ),
    ]:
        with subtests.test(arguments=arguments):
            result = commands.run(*arguments)
            assert (result.exit_code, result.stdout, result.stderr) == (2, "", f"passim: {line}\n")
