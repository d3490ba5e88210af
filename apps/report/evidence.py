"""An evidence report: what a line did, dated and attributed, with method, limits and the raw record, to send on."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

from ..figures.gap_clock import gap_clock
from ..figures.theme import LIGHT
from ..text.evidence import (
    AGAINST_METHOD,
    AGAINST_TITLE,
    FREEZES_HELP,
    LIMITS,
    attachment_words,
    days_note,
    evidence_columns,
    evidence_title,
    method_sentences,
    subtitle_words,
)
from ..text.journal import (
    TARGET_COLUMNS,
    WHERE_COLUMNS,
    day_columns,
    frozen_sentence,
    holes_sentence,
    lengths_sentence,
    where_sentence,
)
from ..text.reconcile import SCORE_COLUMNS, comparison_sentences, explained_sentence
from ..text.suitability import availability_sentence
from ..text.units import LocalClock
from .page import page
from .parts import Attachment, Picture, Section, Table, table_of

if TYPE_CHECKING:
    from passim.line import Availability, LineComparison, LineStatistics

# So many outages fit on some pages of paper; the raw record holds all.
_MOST_ROWS: Final = 400
# Mail programs refuse pages that are much larger than this: a larger record goes beside the page.
LARGEST_INSIDE: Final = 6_000_000
_PACKED: Final = "application/gzip"


@dataclass(frozen=True, eq=False)
class Evidence:
    """The page, and the raw record where it goes into a file of its own beside it: name and bytes."""

    page: str
    beside: tuple[str, bytes] | None


def evidence(
    found: LineStatistics,
    available: Availability,
    *,
    site: str,
    clock: LocalClock,
    written: datetime,
    name: str,
    losses: int = 3,
    against: LineComparison | str = "",
) -> Evidence:
    """Return the evidence of a record as one HTML page; `name` is that of its file, without its ending.

    `against` is how the record fits what had been forecast from the satellites' orbits, or a sentence on why that
    cannot be told; empty to leave it out.
    """
    from passim.line import files

    # No time of packing inside, so that the same record gives the same bytes.
    data = gzip.compress(files.csv_text(found.record).encode("utf-8"), mtime=0)
    digest = hashlib.sha256(data).hexdigest()
    beside = len(data) > LARGEST_INSIDE
    file = f"{name}-record.csv.gz"
    words = attachment_words(found, digest, beside=beside)
    attached = () if beside else (Attachment(file, _PACKED, data, words),)
    raw = Section("The raw record", [f"{file}: {words}"] if beside else (), attachments=attached)
    parts = _sections(found, available, clock, written, losses)
    sections = [*parts, *_against(against), raw, Section("Limits", points=LIMITS)]
    detail = " ".join(filter(None, [where_sentence(found), holes_sentence(found.record)]))
    subtitle = subtitle_words(found, site, clock, written)
    text = page(evidence_title(site), frozen_sentence(found, clock), detail, subtitle, sections)
    return Evidence(text, (file, data) if beside else None)


def _against(against: LineComparison | str) -> list[Section]:
    """Return the section that says how much of the record the orbits explain, and how much luck would."""
    if not against:
        return []
    if isinstance(against, str):
        return [Section(AGAINST_TITLE, [against])]
    table = table_of("scores", "The forecast beside others", SCORE_COLUMNS, against.scores)
    explained = [explained_sentence(against)] if against.recorded_s > 0.0 else []
    return [Section(AGAINST_TITLE, [*comparison_sentences(against), *explained, AGAINST_METHOD], [table])]


def _sections(
    found: LineStatistics, available: Availability, clock: LocalClock, written: datetime, losses: int
) -> Sequence[Section]:
    outages = found.record.outages
    shown = outages.iloc[:_MOST_ROWS]
    more = (
        f"The first {_MOST_ROWS:,} of {len(outages):,}; the raw record holds all." if len(shown) < len(outages) else ""
    )
    blocks: list[Picture | Table] = [
        Picture(
            "days",
            "Freezes by date and time of day",
            gap_clock(found.coverage, clock, written, LIGHT, gap="frozen", none="no freeze"),
            days_note(found),
            FREEZES_HELP,
        ),
        table_of("by-day", "Day by day", day_columns(clock), found.by_day),
    ]
    sections = [
        Section(
            "When the line was frozen",
            [*filter(None, (lengths_sentence(found), availability_sentence(available)))],
            blocks,
        ),
        Section(
            "Where the faults lay",
            blocks=[table_of("where", "House, line and far end", WHERE_COLUMNS, found.by_where)],
        ),
        Section("How it was measured", method_sentences(found.record, losses)),
    ]
    if len(found.round_trips):
        table = table_of("targets", "Losses and round trips by target", TARGET_COLUMNS, found.round_trips)
        sections.append(Section("Answers", blocks=[table]))
    if len(outages):
        table = table_of("outages", "Outage by outage", evidence_columns(clock), shown, more)
        sections.append(Section("Every outage", blocks=[table]))
    return sections
