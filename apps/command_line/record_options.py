"""Which record of the line is asked about: whose, from when to when, and what counts as an outage in it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import click

from .options import at_option, bundle
from .parsing import now_of
from .times import aware_time
from .usage import WholeBetween

if TYPE_CHECKING:
    from passim import Span
    from passim.line import Journal, LineRecord
    from passim.workspace import Workspace

    from ..text.notes import Note

source_option = click.option(
    "--source", metavar="NAME", help="Whose record: one that was added goes by its name. Default: that of passim probe."
)
record_file_option = click.option(
    "--record",
    "record_path",
    metavar="FILE",
    help="A record in a file, as passim journal add takes it. Default: the journal of the workspace.",
)
losses_option = click.option(
    "--losses",
    type=WholeBetween(1, 1000),
    default=3,
    show_default=True,
    help="How many lost packets in a row make an outage.",
)


@dataclass(frozen=True)
class RecordChoice:
    """Which record is asked about."""

    from_text: str | None = None
    to_text: str | None = None
    source: str | None = None
    losses: int = 3
    at_text: str | None = None

    def source_in(self, journal: Journal) -> str:
        """Return the source that is meant: the one named, else the own probe, else the only one that was added.

        The invented record of the demonstration counts where there is no other.
        """
        from passim.line import OWN_PROBE
        from passim.workspace import INVENTED_RECORD

        if self.source is not None:
            return self.source
        sources = journal.sources
        added = [name for name in sources if name != OWN_PROBE]
        others = [name for name in added if name != INVENTED_RECORD] or added
        if not others or (OWN_PROBE in sources and journal.bounds() is not None):
            return OWN_PROBE
        if len(others) > 1:
            raise click.UsageError(f"which record? Give --source: {', '.join(others)}.")
        return others[0]

    def times(self, timezone: str) -> tuple[datetime | None, datetime | None]:
        """Return start and end as far as they are given, local times being those of `timezone`. Raises InputError."""

        def zone() -> str:
            return timezone

        def asked(text: str | None, option: str) -> datetime | None:
            return None if text is None else aware_time(text, option, zone, now_of(self.at_text, zone))

        return asked(self.from_text, "--from"), asked(self.to_text, "--to")

    def record(
        self, workspace_dir: str | None, record_path: str | None, timezone: str
    ) -> tuple[LineRecord, list[Note]]:
        """Return the record asked about, and what to know of how it was read. Raises InputError, JournalError."""
        from passim import Journal
        from passim.line import files

        from ..text.journal import reading_notes
        from .parsing import needed_workspace

        if record_path is not None:
            if self.source is not None:
                raise click.UsageError("--record and --source both say which record: give one of them.")
            start, end = self.times(timezone)
            answers = files.Answers(zone=timezone, start=start, end=end, losses=self.losses)
            reading = files.read_record(record_path, answers)
            return reading.record, reading_notes(reading)
        workspace = needed_workspace(workspace_dir)
        with Journal(workspace.journal_file) as journal:
            source = self.source_in(journal)
            return journal.read(self.span(journal, source, workspace), source, self.losses), []

    def span(self, journal: Journal, source: str, workspace: Workspace) -> Span:
        """Return the span asked about. Raises InputError, JournalError for a source that has recorded nothing."""
        from passim import Span
        from passim.constants import LONGEST_SPAN_DAYS
        from passim.errors import JournalError, WayOut

        start, end = self.times(zone_name(workspace))
        if start is None or end is None:
            bounds = journal.bounds(source)
            if bounds is None:
                raise JournalError(
                    f"record of {source}", got="nothing", wanted="some time in which the line was asked",
                    way_out=WayOut.PROBE,
                )  # fmt: skip
            first, last = bounds
            end = last if end is None else end
            start = max(first, end - timedelta(days=LONGEST_SPAN_DAYS)) if start is None else start
        return Span(start, end)


record_options = bundle(
    "record_choice",
    RecordChoice,
    click.option(
        "--from",
        "from_text",
        metavar="TIME",
        help="Start, local time or with its offset. Default: that of the record, at most 92 days before its end.",
    ),
    click.option("--to", "to_text", metavar="TIME", help="End, as for --from. Default: the end of the record."),
    source_option,
    losses_option,
    at_option,
)


def zone_name(workspace: Workspace) -> str:
    """Return the zone of a workspace's local times: that of its first site, else UTC."""
    return workspace.site().timezone if workspace.site_names else "UTC"
