"""Help and documents tell the truth: every command has an example that would run, and the README names them all."""

from __future__ import annotations

import inspect
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from passim.answers.calls import calendar_in, recurrence
from passim.answers.growth import launch_plan
from passim.answers.symptom import observations
from passim.csv_files import CsvKind
from passim.elements import formats
from passim.workspace import checking
from passim_apps.command_line.main import main
from passim_apps.dashboard import connections
from passim_apps.dashboard.pages import elements as elements_page
from passim_apps.dashboard.pages.calls import uploads
from passim_apps.dashboard.pages.sky import record

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


def test_help_ends_with_an_example_that_would_run(subtests: pytest.Subtests) -> None:
    for name in COMMANDS:
        with subtests.test(name=name):
            text = inspect.cleandoc(COMMANDS[name].help or "")
            last_paragraph = re.split(r"\n\s*\n", text)[-1].removeprefix("\b\n")
            examples = example_lines(last_paragraph)
            assert examples, f"the help of {name} does not end with an example line that starts with 'passim '"
            assert [fault for line in examples for fault in faults_in_example(line)] == []
            assert any(line == name or line.startswith(f"{name} ") for line in examples), (
                "the example shows another command"
            )


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


def test_the_modules_that_the_documents_run_are_found_from_the_trees_root() -> None:
    text = "".join((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md"))
    modules = sorted(set(re.findall(r"python -m (tests[.\w]+)", text)))
    assert {"tests.benchmarks.pages", "tests.soak.lan", "tests.make_pictures"} <= set(modules)
    # pytest puts the folder of the tests on the path, where modules are found that nobody else finds.
    code = f"import importlib\nfor name in {modules!r}: importlib.import_module(name)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_the_limits_in_the_readme_are_those_of_the_code() -> None:
    words = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    limits, mib, mb = connections.ConnectionLimits(), 2**20, 1_000_000
    taken_mib = elements_page.LARGEST_FILE_BYTES // mib
    assert limits.grace_s == limits.head_s
    for said in (
        f"{formats.LARGEST_BYTES // mib} MiB a file and {formats.MOST_SETS:,} sets",
        f"unpacks past {formats._SMALL_BYTES // mib} MiB, {formats._MOST_UNPACKED} times its size",
        f"| a calendar | {calendar_in._LARGEST_FILE_BYTES // mb} MB, and {recurrence.MOST_REPEATS:,} repeats",
        f"| a record of freezes | {observations._KINDS[0].largest_bytes // mb} MB |",
        f"`passim.toml` | {checking.LARGEST_FILE_BYTES // mb} MB |",
        f"elements {taken_mib} MiB together, a calendar {uploads.LARGEST_FILE_BYTES // mib}",
        f"at most {limits.per_address} of the {limits.together} connections",
        f"head of a request has {limits.head_s:g} s to arrive",
        f"its answer must keep up {limits.slowest_bytes_s // 1024:g} KiB a second after the first {limits.grace_s:g} s",
        f"idle connection is closed after {limits.idle_s:g} s",
    ):
        assert said in words
    plans, records = launch_plan.LARGEST_PLAN_BYTES, record.LARGEST_FILE_BYTES
    assert {plans, records, checking.LARGEST_FILE_BYTES, CsvKind(what="", columns=()).largest_bytes} == {mb}
