"""Help and documents tell the truth: every command has an example that would run, and the README names them all."""

from __future__ import annotations

import inspect
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from passim_apps.command_line.main import main

ROOT = Path(__file__).resolve().parent.parent


def commands_under(command: click.Command, words: tuple[str, ...]) -> Iterator[tuple[str, click.Command]]:
    """Yield the full name and the command for a command and all below it."""
    yield " ".join(words), command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            child = command.get_command(context, name)
            assert child is not None, f"{' '.join(words)} lists {name} and does not have it"
            yield from commands_under(child, (*words, name))


COMMANDS = dict(commands_under(main, ("passim",)))


def example_lines(text: str) -> list[str]:
    """Return the lines that call passim, joined where a backslash continues them, without prompts or pipes."""
    joined = re.sub(r"\\\n\s*", " ", text)
    lines = (re.sub(r"^\$ ", "", line.strip()) for line in joined.splitlines())
    return [line for line in lines if line.startswith("passim ")]


def faults_in_example(line: str) -> list[str]:
    """What is wrong with a command line that help or the README shows: an unknown command or option."""
    words = shlex.split(line)
    # What a shell would do with the output is not passim's.
    words = words[: next((i for i, word in enumerate(words) if word in ("|", ">", "&&", "#")), len(words))]
    name = words.pop(0)
    while words and f"{name} {words[0]}" in COMMANDS:
        name += f" {words.pop(0)}"
    command = COMMANDS[name]
    if isinstance(command, click.Group) and words and not words[0].startswith("-"):
        return [f"{line}: no command {name} {words[0]}"]
    context = click.Context(command)
    known = {
        option for parameter in command.get_params(context) for option in (*parameter.opts, *parameter.secondary_opts)
    }
    options = [word.partition("=")[0] for word in words if re.match(r"--?[A-Za-z]", word)]
    return [f"{line}: {name} has no {option}" for option in options if option not in known]


@pytest.mark.parametrize("name", COMMANDS)
def test_help_ends_with_an_example_that_would_run(name: str) -> None:
    text = inspect.cleandoc(COMMANDS[name].help or "")
    last_paragraph = re.split(r"\n\s*\n", text)[-1].removeprefix("\b\n")
    examples = example_lines(last_paragraph)
    assert examples, f"the help of {name} does not end with an example line that starts with 'passim '"
    assert [fault for line in examples for fault in faults_in_example(line)] == []
    assert any(line == name or line.startswith(f"{name} ") for line in examples), "the example shows another command"


def test_the_example_check_can_tell() -> None:
    assert faults_in_example("passim no-such-command --site x") != []
    assert faults_in_example("passim passes --no-such-option") != []
    assert faults_in_example("passim passes --site 45.0,-28.0") == []


def test_the_readme_names_every_command() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [name for name in COMMANDS if not re.search(rf"\b{re.escape(name)}\b", readme)] == []


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_the_command_lines_in_the_documents_exist(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    assert [fault for line in example_lines(text) for fault in faults_in_example(line)] == []
