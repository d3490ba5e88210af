"""What the README shows is what the commands print: every console block is run, in order, in one empty folder."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

import commands

README = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```console\n\$ (passim [^\n]*)\n(.*?)```", README, re.S)


def test_the_readme_shows_commands_with_their_output() -> None:
    assert len(BLOCKS) >= 5


def test_the_readme_shows_what_the_commands_print(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    stated = re.search(r"printed at a width of (\d+) columns", README)
    assert stated, "the README says at which width its answers are printed"
    monkeypatch.setenv("COLUMNS", stated[1])
    for line, shown in BLOCKS:
        words = shlex.split(line)[1:]
        result = commands.run(*words)
        assert result.exit_code == 0, f"{line}: {result.output}"
        printed = [text.rstrip() for text in result.stdout.strip().splitlines()]
        wanted = [text.rstrip() for text in shown.strip().splitlines()]
        if "..." in wanted:
            # What stands for more of the same: the lines before it and after it must be there in full.
            cut = wanted.index("...")
            assert printed[:cut] == wanted[:cut], line
            after = wanted[cut + 1 :]
            assert not after or printed[-len(after) :] == after, line
        else:
            assert printed == wanted, line
