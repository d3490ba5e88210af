"""The ``passim`` command: finds the sub-command, runs it, and turns every error into one line and an exit status.

Exit status: 0 done; 2 what was given cannot be used; 1 anything else; 130 interrupted from the keyboard.

To add a command, write ``commands/<module>.py`` with a click command of that name in it and put one line into
`COMMANDS`. A command's module imports nothing heavier than click until the command runs, so that ``passim --help``
stays quick.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import os
import signal
import sys
import threading
import traceback
import warnings
from typing import Any, NoReturn

import click

from .usage import Commands, in_one_line

# Name of the command -> the module in commands/ that holds it, in the order in which help lists them.
COMMANDS = {
    "update": "update",
    "elements": "elements",
    "passes": "passes",
    "minutes": "minutes",
    "gaps": "gaps",
    "causes": "causes",
    "serving": "serving",
    "symptom": "symptom",
    "calls": "calls",
    "now": "now",
    "probe": "probe",
    "journal": "journal",
    "reconcile": "reconcile",
    "fit": "fit",
    "workspace": "workspace",
    "hindcast": "hindcast",
    "geometry": "geometry",
    "design": "design",
    "survey": "survey",
    "growth": "growth",
    "sites": "sites",
    "report": "report",
    "dashboard": "dashboard",
    "demo": "demo",
}

TRACEBACK_VARIABLE = "PASSIM_TRACEBACK"
_TRACKER_WARNING = "ignore:resource_tracker:UserWarning"


class OneLineErrors(Commands):
    """A group that loads its commands when they are asked for and reports every error in one line."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"..commands.{COMMANDS[cmd_name]}", __package__)
        command: click.Command = getattr(module, cmd_name)
        return command

    def main(self, *args: Any, **extra: Any) -> NoReturn:
        """Run the command line and leave with its exit status; a traceback only where `PASSIM_TRACEBACK` is set."""
        extra["standalone_mode"] = False
        _open_standard_streams()
        _end_on_request()
        # Of a number out of range numpy warns developers; whoever runs tests or asks with -W has filters before this.
        warnings.filterwarnings("ignore", category=RuntimeWarning, append=True)
        # A process of Python's own tidies up after workers whose command was killed, and would warn of it by then.
        os.environ["PYTHONWARNINGS"] = ",".join(filter(None, [os.environ.get("PYTHONWARNINGS"), _TRACKER_WARNING]))
        # A terminal that cannot write "°" shows "?" for it; that must not end the work.
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")
        try:
            status = super().main(*args, **extra)
        except click.UsageError as error:
            status = report_fault(error)
        except click.Abort:  # click's word for a keyboard interrupt
            # Workers are gone by now: a second one finds nothing to end but the interpreter's own tidying.
            signal.signal(signal.SIGINT, signal.SIG_IGN)
            status = 130
        except click.ClickException as error:
            _complain(error.format_message())
            status = 2
        except Exception as error:
            status = report_fault(error)
        sys.exit(status if isinstance(status, int) else 0)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the sub-command; a reader that stops reading, such as ``head``, ends it without a word."""
        try:
            result = super().invoke(ctx)
            # Without this the last block is written while the interpreter shuts down, where nothing can catch it.
            sys.stdout.flush()
            return result
        except BrokenPipeError:
            _forget_standard_output()
            return 0
        except OSError:
            # What stands in the buffer would be tried again at exit, and fail with a trace.
            _forget_standard_output()
            raise


def report_fault(error: Exception) -> int:
    """Say in one line what went wrong and return the exit status."""
    # Imported here because a command that fails has paid for the library already, and help should not.
    from passim.errors import InputError, InternalError, PassimError, WorkspaceError

    from ..text.ways_out import in_command_words

    if isinstance(error, click.UsageError):
        _complain(in_one_line(error))
        return 2
    if os.environ.get(TRACEBACK_VARIABLE):
        traceback.print_exception(error, file=sys.stderr)
    if isinstance(error, InputError):
        _complain(in_command_words(error))
        # A file with several faults has them all told, one a line.
        problems = error.problems if isinstance(error, WorkspaceError) else ()
        for problem in problems if len(problems) > 1 else ():
            _complain(problem, lead="  ")
        return 2
    if isinstance(error, MemoryError):
        _complain("out of memory; try fewer satellites, fewer places, a shorter span, or a machine with more memory")
        return 1
    if isinstance(error, PassimError) and not isinstance(error, InternalError):
        _complain(str(error))
        return 1
    if isinstance(error, OSError):
        # What the system refuses is no defect: a disk that is full, a folder that is gone, a file of somebody else.
        words = (error.strerror or str(error) or type(error).__name__).lower()
        if error.filename:
            wanted = f"got {error.filename}; wanted files and folders of your own, with room on the disk"
        else:
            wanted = "wanted an output that is open and has room, and a current folder that is there"
        _complain(f"the system refuses: {words}; {wanted}")
        return 1
    _complain(
        f"this is a defect in passim, not in what you gave it: {type(error).__name__}: {error}; "
        f"set {TRACEBACK_VARIABLE}=1 and run it again to see where, and report that"
    )
    return 1


def _complain(message: str, lead: str = "passim: ") -> None:
    """Write one line on standard error, whatever line ends or control characters the message holds."""
    line = " ".join(message.split())
    click.echo(lead + "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in line), err=True)


def _forget_standard_output() -> None:
    """Point standard output at nothing, so that the flush at exit does not fail a second time."""
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        with contextlib.suppress(OSError, ValueError):  # a test's output has no number
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, sys.stdout.fileno())
            os.close(nothing)


def _open_standard_streams() -> None:
    """Put something in the place of closed standard streams, or the next file opened would take their numbers.

    An answer that goes to a closed standard output fails as it should; what is said on a closed standard error is lost.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        if getattr(sys, name) is None:
            # The lowest free number is the one that is missing. Read-only, standard output refuses what is written.
            handle = os.open(os.devnull, os.O_WRONLY if number == 2 else os.O_RDONLY)
            setattr(sys, name, open(handle, mode, encoding="utf-8", closefd=False))  # noqa: SIM115  # for good


def _end_on_request() -> None:
    """End in order when the system or the terminal asks for it, so that workers and temporary folders go too."""

    def end(number: int, _: object) -> NoReturn:
        raise SystemExit(128 + number)

    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            # Whoever was started with nohup goes on.
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:
                signal.signal(number, end)


@click.group(cls=OneLineErrors, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="passim", message="%(prog)s %(version)s")
@click.pass_context
def main(ctx: click.Context) -> None:
    """When do satellites come into view of a site, and when does the site lose them all?

    passim reads public orbital element sets, finds every pass over a place on the ground and answers in local time.
    Everything is computed on this machine. The answers are planning help, not a promise of service, and not for
    emergency calls, navigation or safety of life.

    \b
    Example:
      passim demo
      passim design --total 360 --planes 18 --phasing 7 --inclination 53 --altitude 550 --out fleet.json
      passim gaps --elements fleet.json --site 45.0,-28.0 --mask 35
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


if __name__ == "__main__":
    main()
