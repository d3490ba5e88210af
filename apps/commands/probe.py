"""``passim probe``: records whether the line answers, until it is stopped."""

from __future__ import annotations

import signal
import sys
import threading
import time
from typing import TYPE_CHECKING, Any

import click

from ..command_line.options import workspace_option

if TYPE_CHECKING:
    from passim.line import Plan, Probe


_MORE = """\
In the workspace's file:

\b
  [line]
  targets = ["router=192.168.1.1:80", "far=198.51.100.7:443", "resolver=dns:203.0.113.53"]
  every_s = 1.0

A connection that is refused is an answer, since the refusal came over the line; so is an answer that takes up to 5 s.
What takes longer is lost. A machine that sleeps, a clock that is set and a probe that is stopped leave holes in the
record, not outages.

The journal is written every second and grows by about 2 MB a day with three targets. passim journal reads it, while
this runs too. One probe a workspace; Ctrl-C or SIGTERM ends it in order.
"""


@click.command("probe", short_help="Record whether the line answers, second by second.", epilog=_MORE)
@workspace_option
@click.option(
    "--target",
    "targets",
    multiple=True,
    metavar="NAME=HOST:PORT",
    help="What to ask; repeat for more, your own router first, then two far ones. NAME=icmp:HOST asks for an echo, "
    "NAME=dns:RESOLVER for a name. Default: the targets of the workspace.",
)
@click.option(
    "--every", "every_text", metavar="LENGTH", help="How often: 0.2s to 60s. Default: the workspace's, else 1s."
)
@click.option("--for", "for_text", metavar="LENGTH", help="For how long, such as 10min or 8h. Default: until stopped.")
@click.option(
    "--ntp",
    "ntp_server",
    metavar="HOST",
    help="A time server to compare this machine's clock with, every 17 minutes. Default: the workspace's, else none.",
)
def probe(
    workspace_dir: str | None,
    targets: tuple[str, ...],
    every_text: str | None,
    for_text: str | None,
    ntp_server: str | None,
) -> None:
    """Ask a few hosts every second whether they answer, and keep it in the journal of the workspace.

    Name your own router first and two hosts beyond your line after it, here or in the workspace's file: then a fault in
    the house, one in the line and one at the far end are told apart. Nobody else is asked anything. Ctrl-C ends it.

    \b
    Example:
      passim probe --target router=192.168.1.1:80 --target far=198.51.100.7:443 --target other=icmp:203.0.113.9
      passim probe --every 0.2s --for 10min
    """
    from ..command_line.lengths import length_s
    from ..command_line.line_settings import read_aside

    every_s = None if every_text is None else length_s(every_text, "--every", "0.2s", "60s", "1s")
    for_s = None if for_text is None else length_s(for_text, "--for", "1s", "3650d", "10min")
    settings = read_aside(workspace_dir)

    from pathlib import Path

    from passim.line import JournalWriter, Plan, Probe, parse_targets

    texts = targets or tuple(settings["targets"])
    if not texts:
        raise click.UsageError(
            "which targets? Give --target router=HOST:PORT and two far ones, or name them under [line] in passim.toml."
        )
    plan = Plan(
        parse_targets(texts), settings["every_s"] if every_s is None else every_s, for_s,
        settings["ntp_server"] if ntp_server is None else ntp_server,
    )  # fmt: skip
    with JournalWriter(Path(settings["journal"])) as journal:
        running = Probe(plan, journal)
        _tell(running, plan, settings)
        _stop_on_request(running)
        running.run()


def _tell(running: Probe, plan: Plan, settings: dict[str, Any]) -> None:
    """Say what is going on: a live line on a terminal, elsewhere a line for each outage and each hole."""
    from zoneinfo import ZoneInfo

    from ..text.line import break_line, live_line, outage_line, start_lines

    zone = ZoneInfo(settings["zone"])
    live = sys.stdout.isatty()

    def say(line: str) -> None:
        # On a terminal the live line makes room.
        click.echo(f"\r\x1b[K{line}" if live else line)
        sys.stdout.flush()

    for line in start_lines(plan.targets, plan.every_s, settings["journal"]):
        say(line)
    running.watch.on_outage = lambda outage: say(outage_line(outage, zone))
    running.watch.on_break = lambda why: say(break_line(why, _now_us(), zone))
    if live:
        running.watch.on_beat = lambda: _show(live_line(running.watch, _now_us(), zone))


def _show(line: str) -> None:
    from shutil import get_terminal_size

    # A line that wraps could not be taken back.
    sys.stdout.write(f"\r\x1b[K{line[: get_terminal_size().columns - 1]}")
    sys.stdout.flush()


def _now_us() -> int:
    return time.time_ns() // 1000


def _stop_on_request(running: Probe) -> None:
    """End in order on Ctrl-C, and when the system asks: both are how this is meant to end."""
    if threading.current_thread() is not threading.main_thread():
        return
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        # Whoever was started with nohup goes on.
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, lambda *_: running.stop())
