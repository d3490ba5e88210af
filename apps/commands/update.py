"""``passim update``: fresh elements for the fleets that have a feed."""

from __future__ import annotations

from time import sleep
from typing import TYPE_CHECKING, Any

import click

from ..command_line.options import OutputChoice, fleet_name_option, output_options, workspace_option

if TYPE_CHECKING:
    from datetime import datetime

    from passim.workspace import Workspace

    from ..text.answer import Answer


_MORE = """\
In the workspace's file a fleet may have, in place of files:

\b
  feed = { address = "https://example.org/elements.json" }
  feed = { folder = "incoming" }

An address is asked every 8 hours (every_s), never sooner than 2 hours (minimum_interval_s) after the last request,
whichever of your workspaces made it, and for a day not at all where it answers 403 or 429. What comes is kept as a
snapshot if it is whole; else the snapshot before it stays in use. All of 3 days are kept, one a day up to 60 days, then
one a week. With --quiet nothing is said unless something failed, as a timer wants it.

From snapshots of three days and more the timing errors of the fleet are learned. The odds of every answer then go by
them, unless the workspace's file states others under [timing]; `passim hindcast` tells them.
"""


@click.command("update", short_help="Fresh elements for the fleets that have a feed.", epilog=_MORE)
@workspace_option
@fleet_name_option
@click.option("--early", is_flag=True, help="Ask as soon as the feed's least interval allows, before it is due.")
@click.option(
    "--accept-fewer",
    is_flag=True,
    help="Accept a list with far fewer objects than the last one; without this it counts as a fault of the feed.",
)
@click.option("--dry-run", is_flag=True, help="Say what would be asked and when, and ask nothing.")
@click.option(
    "--every",
    "every_text",
    metavar="LENGTH",
    help="Keep running, and look every LENGTH, such as 8h or 30min, for what is due. Default: look once.",
)
@output_options
def update(
    workspace_dir: str | None,
    fleet_name: str | None,
    early: bool,
    accept_fewer: bool,
    dry_run: bool,
    every_text: str | None,
    output_choice: OutputChoice,
) -> None:
    """Bring the fleets that have a feed up to date, if they are due.

    A feed is an address that is asked or a folder that something else fills; the workspace's file names it under
    [[fleets]]. No other command asks an address. The status is 1 where a feed failed.

    \b
    Example:
      passim update
      passim update --dry-run
      passim update --every 8h
    """
    from ..command_line.lengths import length_s
    from ..command_line.output import echo_err, write
    from ..command_line.parsing import needed_workspace

    silent = output_choice.quiet and output_choice.format == "table" and output_choice.out is None
    every_s = None if every_text is None else length_s(every_text, "--every", "1min", "30d", "8h")
    if every_s is not None and dry_run:
        raise click.UsageError("--every keeps asking and --dry-run asks nothing: give one of them.")
    workspace = needed_workspace(workspace_dir)
    if dry_run:
        write(_plan(workspace, fleet_name, early), output_choice)
        return
    if every_s is None:
        answer, failed = _updated(workspace, fleet_name, early=early, accept_fewer=accept_fewer)
        if failed or not silent:
            write(answer, output_choice)
        _learn(workspace, fleet_name, quiet=output_choice.quiet)
        if failed:
            click.get_current_context().exit(1)
        return
    # The file may change while this runs, and a fault in it today may be mended tomorrow.
    from passim.errors import InputError

    from ..text.ways_out import in_command_words

    while True:
        try:
            workspace = needed_workspace(workspace_dir)
            answer, _ = _updated(workspace, fleet_name, early=early, accept_fewer=accept_fewer)
            echo_err(answer.in_one_line)
            _learn(workspace, fleet_name, quiet=output_choice.quiet)
        except InputError as error:
            echo_err(in_command_words(error))
        sleep(every_s)


def _updated(workspace: Workspace, fleet_name: str | None, *, early: bool, accept_fewer: bool) -> tuple[Answer, bool]:
    """Bring the fleets up to date, one after the other; return what to say and whether one failed."""
    from datetime import UTC, datetime

    from passim.errors import InputError
    from passim.workspace import feed_state, fleets_with_feeds, update_fleet

    from ..text.feeds import source_words, update_columns, update_sentence
    from ..text.ways_out import in_command_words

    sentences, rows, failed = [], [], False
    for fleet in fleets_with_feeds(workspace, fleet_name):
        feed = feed_state(workspace, fleet).feed
        found = update_fleet(workspace, fleet, early=early, accept_fewer=accept_fewer)
        now = datetime.now(UTC)
        why = in_command_words(found.error) if isinstance(found.error, InputError) else ""
        sentences.append(update_sentence(fleet, feed, found, now, why))
        failed = failed or found.outcome == "failed"
        rows.append(
            {
                "fleet": fleet,
                "outcome": found.outcome,
                "objects": found.objects if found.outcome == "new" else None,
                "skipped": found.skipped if found.outcome == "new" else None,
                "fetched_at": found.snapshot.fetched_at if found.snapshot else None,
                "next_at": found.next_at,
                "requested_at": found.requested_at,
                "source": source_words(feed),
                "error": why,
            }
        )
    return _answer(workspace, sentences, rows, update_columns), failed


def _learn(workspace: Workspace, fleet_name: str | None, *, quiet: bool) -> None:
    """Learn the timing errors of each fleet from its snapshots, once the answer is out, and tell what changed by it.

    The elements are there whatever comes of it, so that nothing here makes an update fail.
    """
    from passim.errors import PassimError
    from passim.workspace import fleets_with_feeds, learn_fleet_timing

    from ..command_line.output import echo_err
    from ..text.timing import timing_sentence
    from ..text.ways_out import in_command_words

    for fleet in fleets_with_feeds(workspace, fleet_name):
        try:
            before = workspace.timing(fleet)
            now = learn_fleet_timing(workspace, fleet)
        except Exception as error:  # whatever it is, it is told, and the elements stand
            why = in_command_words(error) if isinstance(error, PassimError) else f"{type(error).__name__}: {error}"
            echo_err(f"{fleet}: its timing errors cannot be learned. {why}")
            continue
        if now.source != before.source and not quiet:
            echo_err(timing_sentence(now, fleet))


def _plan(workspace: Workspace, fleet_name: str | None, early: bool) -> Answer:
    """Say what an update would do."""
    from datetime import UTC, datetime

    from passim.workspace import feed_state, fleets_with_feeds

    from ..text.feeds import plan_columns, plan_sentence, source_words

    now = datetime.now(UTC)
    states = [feed_state(workspace, fleet, early=early) for fleet in fleets_with_feeds(workspace, fleet_name)]
    rows = [
        {
            "fleet": state.fleet,
            "fetched_at": state.newest.fetched_at if state.newest else None,
            "requested_at": state.noted.requested_at,
            "next_at": max(state.due_at, now),
            "source": source_words(state.feed),
            "last_failure": state.noted.failure,
        }
        for state in states
    ]
    return _answer(workspace, [plan_sentence(state, now) for state in states], rows, plan_columns)


def _answer(workspace: Workspace, sentences: list[str], rows: list[dict[str, Any]], columns: Any) -> Answer:
    """Return the answer, its times by the clock of the workspace's first site."""
    from datetime import UTC, datetime, timedelta

    import pandas as pd

    from passim import Span

    from ..text.answer import Answer
    from ..text.units import LocalClock

    zone_name = workspace.site().timezone if workspace.site_names else "UTC"
    now: datetime = datetime.now(UTC)
    times = [row[key] for row in rows for key in ("fetched_at", "next_at") if row[key] is not None]
    clock = LocalClock(zone_name, Span(min([now, *times]), max([now, *times]) + timedelta(seconds=1)))
    frame = pd.DataFrame(rows)
    for key in ("fetched_at", "next_at", "requested_at"):
        frame[key] = pd.to_datetime(frame[key], utc=True)
    return Answer("update", "\n".join(sentences), frame, columns(clock), clock=clock)
