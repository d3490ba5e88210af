"""The words of an evidence report: what was measured and how, what it can show and what not, for a provider to read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from .answer import Help
from .columns import DURATION, Column, Format, day_column, of_row, time_column
from .line import NOT_TOLD_APART, WHERE
from .units import LocalClock, counted, cut_ends, instant, printable

if TYPE_CHECKING:
    from passim.line import LineRecord, LineStatistics

METHODS: Final = {"tcp": "by opening a connection", "icmp": "by ICMP echo", "dns": "by asking for a name (DNS)"}
_STANDS: Final = {"house": "in the house", "near": "beyond the house", "far": "beyond the house"}

WHERE_IT_LIES: Final = (
    "House: the target in the house did not answer either, so the fault lies before the line begins. Line: the house "
    "answered and nothing beyond it did. Far end: only some of the targets beyond the house failed, so the line itself "
    "carried traffic."
)
FREEZES_HELP: Final = Help(
    "One row a day, local time from left to right, shaded where the line was measured. Each mark is a freeze, as wide "
    "as it is long but never thinner than a hair; at the end of a row stands how long the day was out.",
    "Outages of the line. Those of the house and of the far end alone are left out; while the house was out the paper "
    "is blank.",
    "The record attached to this report.",
)
LIMITS: Final = (
    "The record shows when traffic passed and when it did not. It does not show why: terminal, sky, gateway and the "
    "provider's network look alike from here.",
    "Outages of the house and of the far end alone are listed, and are not counted against the line; while the house "
    "was out nothing is said of the line.",
    "Nothing is said of the time that was not measured: it is counted neither as good nor as bad.",
    "Times are those of the clock of the machine that measured.",
)


AGAINST_TITLE: Final = "What the orbits of the satellites explain"
AGAINST_METHOD: Final = (
    "The gaps were forecast from orbital elements, those that were at hand when each day began, and from what is known "
    "of the roof line and the gateways. By luck: the same forecast shifted by 2 to 45 minutes either way, 499 times. "
    "Gaps and outages are matched one to one by their starts."
)


NOTHING_TO_FORECAST_BY: Final = (
    "The record is set beside no forecast: the workspace has no site, or no fleet, to forecast by."
)


def against_nothing(why: str) -> str:
    """Return that the record is set beside no forecast, and why."""
    return f"The record is set beside no forecast: {why}."


def evidence_columns(clock: LocalClock) -> list[Column]:
    """Return the columns of dated outages: by the local clock, and by UTC for whoever reads it elsewhere."""
    return [
        day_column(clock),
        time_column(clock, "start", "Start", local=True),
        time_column(clock, "end", "End", local=True),
        Column("start_utc", "Start (UTC)", of_row(lambda row: instant(row.start))),
        Column("duration_s", "Length", DURATION),
        Column("where", "Where", Format(lambda where: WHERE[where], numeric=False)),
        Column("lost", "Packets lost", Format(lambda lost: f"{lost:,}" if lost else "")),
        Column("cut", "Cut", of_row(cut_ends)),
    ]


def method_sentences(record: LineRecord, losses: int = 3) -> list[str]:
    """Return how the record was made, in plain words."""
    if not record.probes:
        return [
            f"The record, {printable(record.source)}, holds outages as they were noted, without single probes: short "
            "ones may be missing, and lengths are as rough as the notes."
        ]
    parts = []
    for each in record.probes:
        target = each.target
        address = "" if target.address == target.name else f"{printable(target.address)}, "
        parts.append(f"{printable(target.name)} ({address}{_STANDS[target.position]}, {METHODS[target.method]})")
    every = "" if record.period_s is None else f" every {record.period_s:.3g} s"
    found = [f"Asked{every} whether it answers: {'; '.join(parts)}."]
    period = "" if record.period_s is None else f" Either edge may be off by {record.period_s:.3g} s."
    found.append(
        f"An outage is {counted(losses, 'packet')} lost in a row or more, as RFC 3357 counts loss periods: it begins "
        f"when the first lost one was sent and ends when the next answered one was.{period}"
    )
    if record.told_apart:
        found.append(WHERE_IT_LIES)
    else:
        found.append(NOT_TOLD_APART)
    return found


def attachment_words(found: LineStatistics, digest: str, *, beside: bool) -> str:
    """Say what is in the raw record, and by which sum it can be known again."""
    record = found.record
    probes = sum(map(len, record.probes))
    what = f"{counted(probes, 'probe')}, " if probes else ""
    what += f"{counted(len(record.outages), 'outage')} and {counted(len(record.holes), 'hole')}"
    place = "beside this report" if beside else "inside this page; click to save it"
    return f"the raw record, {place}: {what}, times in UTC to the microsecond, CSV packed with gzip. SHA-256 {digest}."


def evidence_title(site: str) -> str:
    """Return the title of the page."""
    return f"{site}: what the line did" if site else "What the line did"


def days_note(found: LineStatistics) -> str:
    """Return the caption of the picture of freezes by date and time of day."""
    blank = " Blank hours were not measured." if len(found.record.holes) else ""
    if found.house_s > 0.0:
        blank += " While the house was out the paper is blank too." if blank else " Blank: the house was out."
    if not found.count:
        return f"No freeze; the hours measured are shaded.{blank}"
    return f"Each mark is a freeze; hours measured are shaded.{blank}"


def subtitle_words(found: LineStatistics, site: str, clock: LocalClock, written: Any) -> str:
    """Return what the page is about, and for when."""
    where = f"{site}, " if site else ""
    return (
        f"{where}{clock.stretch(found.span)} by the local clock ({clock.description}); written "
        f"{written:%Y-%m-%d %H:%M} UTC."
    )
