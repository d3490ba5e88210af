"""Commands run in this process: what they print, and the one line of those that are refused."""

from __future__ import annotations

from click.testing import CliRunner, Result

from passim_apps.command_line.main import main


def run(*arguments: str) -> Result:
    """Run a command, whatever comes of it."""
    return CliRunner().invoke(main, list(arguments), prog_name="passim")


def finished(result: Result) -> Result:
    """Return what must have gone well."""
    assert result.exit_code == 0, result.output
    return result


def refusal(result: Result) -> str:
    """Return the one line that is left by what must be refused."""
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert line.startswith("passim: ")
    return line


def done(*arguments: str) -> Result:
    """Run a command that must go well."""
    return finished(run(*arguments))


def refused(*arguments: str) -> str:
    """Run what must be refused, and return the one line it leaves."""
    return refusal(run(*arguments))
