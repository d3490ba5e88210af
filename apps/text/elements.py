"""What is said of elements: who serves and why the others do not, what happened of late, and how old they may be."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from passim.elements import shells
from passim.forecast import timing

from .columns import COUNT, TEXT, Column, Format, number, of_row
from .query import status_words
from .timing import good_for
from .units import age, counted, instant, signed

if TYPE_CHECKING:
    import pandas as pd

    from passim.elements import condition as conditions
    from passim.workspace import Missing

SHELL_COLUMNS: Final = (
    Column("altitude_km", "Altitude km", number(1)),
    Column("inclination_deg", "Inclination °", number(2)),
    Column("objects", "Objects", COUNT),
    Column("sets", "Sets", COUNT),
    Column(
        "altitudes",
        "Altitudes km",
        of_row(lambda row: f"{row.altitude_lowest_km:,.1f} to {row.altitude_highest_km:,.1f}", numeric=True),
        1,
    ),
    Column(
        "inclinations",
        "Inclinations °",
        of_row(lambda row: f"{row.inclination_lowest_deg:.2f} to {row.inclination_highest_deg:.2f}", numeric=True),
        2,
    ),
    Column("serving", "Serve", COUNT, 1),
    Column("planes", "Planes", COUNT, 1),
    Column("slots", "Slots a plane", COUNT, 3),
    Column("held", "Slots held", COUNT, 3),
)
_STATUS: Final = Column("status", "Status", Format(status_words, numeric=False))
STATUS_COLUMNS: Final = (_STATUS, Column("objects", "Objects", COUNT))


def object_columns(now: datetime) -> list[Column]:
    """Return the columns of objects, whose elements are told as old as they are at `now`."""
    return [
        Column("satellite_id", "Number", TEXT),
        Column("name", "Name", TEXT),
        Column("epoch", "Age", Format(lambda epoch: age(now - epoch))),
        _STATUS,
        Column("serving", "Serves", Format(lambda serves: "yes" if serves else "no", numeric=False)),
        Column("evidence", "Because", TEXT, below=True),
    ]


def sentence(fleet: str, serving: int, counts: Mapping[str, int], fresh: timing.Freshness) -> str:
    """Say how many objects of a fleet serve, and how old their elements are."""
    total, old = counts["catalogued"], timing.age_words(fresh.median_s)
    if serving:
        they = f"{counted(serving, 'satellite')} of {fleet} serve"
        return f"{they}; their elements are {old} old, and {good_for(fresh.band)}."
    none = (
        f"The one object of {fleet} does not serve"
        if total == 1
        else f"None of the {total:,} objects of {fleet} serves"
    )
    if counts["decayed"] == total:
        none += ": it has decayed" if total == 1 else ": all have decayed"
    return f"{none}. The elements are {old} old."


def fleet_figures(serving: int, fresh: timing.Freshness) -> list[tuple[str, str]]:
    """Return three figures of a fleet: how many serve, how old elements are, and how far off times by them may be."""
    return [
        (f"{serving:,}", "satellites serve"),
        (timing.age_words(fresh.median_s), "is the age of their elements, the median"),
        (f"{float(f'{fresh.sigma_s:.2g}'):,g} s", "is the timing error now"),
    ]


def ages_sentence(fresh: timing.Freshness, youngest_s: float) -> str:
    """Say how old the elements are: all of one age, or half of them and the oldest."""
    median, oldest = timing.age_words(fresh.median_s), timing.age_words(fresh.oldest_s)
    if timing.age_words(youngest_s) == oldest:
        return f"All are {oldest} old."
    if median == oldest:
        youngest = timing.age_words(youngest_s)
        return f"Half of them or more are {oldest} old, the oldest there are; the youngest, {youngest}."
    return f"Half of them are older than {median}; the oldest, {oldest}."


def limits_days(model: timing.TimingModel) -> list[float]:
    """Return the ages, days, from which on less can be said by a timing model, each once."""
    return sorted({band.up_to_s / 86400.0 for band in timing.bands_of(model) if 0.0 <= band.up_to_s < math.inf})


def bands_sentence(fresh: timing.Freshness, model: timing.TimingModel) -> str:
    """Say what is told at which age by a timing model, and where the fleet stands now."""
    parts, reached_s = [], 0.0
    for band in timing.bands_of(model):
        # Under some models a band holds at no age.
        if reached_s < band.up_to_s < math.inf:
            days = band.up_to_s / 86400.0
            length = timing.age_words(band.up_to_s) if days < 1.0 else f"{days:.2g} {'day' if days == 1.0 else 'days'}"
            parts.append(f"up to {length}, {_worth(band)}")
            reached_s = band.up_to_s
    return (
        f"How much they can predict depends on their age at the time forecast: {'; '.join(parts)}; beyond that, "
        "nothing "
        "is forecast. "
        f"Now, at {timing.age_words(fresh.median_s)}: {_worth(fresh.band)}."
    )


def _worth(band: timing.Band) -> str:
    if band.shows_times:
        return "times, with odds beside them" if band.needs_odds else "times and odds"
    if band.shows_odds:
        return "odds only"
    return "only how long service is out in all" if math.isfinite(band.up_to_s) else "nothing is forecast"


# ---------------------------------------------------------------------------------- object by object

# What a satellite that keeps its slot does not gain or lose.
_FAST_DEG_DAY: Final = 0.5


def object_rows(condition: conditions.Condition) -> pd.DataFrame:
    """Return one row an object, missing ones too, with what speaks for its status in words beside the figures."""
    rows = condition.everybody
    return rows.assign(evidence=[evidence(row) for row in rows.itertuples(index=False)])


def evidence(row: Any) -> str:
    """Say what speaks for the status of an object: a row of `Condition.everybody` as `itertuples` gives it."""
    parts = [_of_status(row)]
    if row.same_slot_as:
        parts.append(f"shares a slot with {row.same_slot_as}")
    if row.same_orbit_as:
        parts.append(f"the same orbit as {row.same_orbit_as}")
    if row.manoeuvred_before == row.manoeuvred_before and row.manoeuvred_before is not None:
        parts.append(f"manoeuvred {between(row.manoeuvred_after, row.manoeuvred_before)}, {_change(row)}")
    if row.first_seen == row.first_seen and row.first_seen is not None:
        parts.append(f"first seen {day(row.first_seen)}")
    return "; ".join(part for part in parts if part)


def _of_status(row: Any) -> str:
    if row.status == "missing":
        down = ", and must have come down" if row.came_down else ""
        return f"held until {day(row.last_held_at)}, at {row.altitude_km:,.0f} km{down}"
    if row.status == "decayed":
        sinking = f", sinking {-row.climb_km_day:,.1f} km a day" if row.climb_km_day <= -0.1 else ""
        return f"perigee at {row.perigee_km:,.0f} km by its elements{sinking}"
    if row.status == "stale":
        return f"no elements since {day(row.epoch)}"
    if row.from_shell_km != row.from_shell_km:
        return f"{row.altitude_km:,.0f} km, {row.inclination_deg:.1f}°"
    if row.status in ("raising", "lowering"):
        verb = "climbs" if row.climb_km_day > 0.0 else "sinks"
        return f"{verb} {abs(row.climb_km_day):,.1f} km a day, {_from_shell(row)}"
    if row.status == "at shell":
        return f"{_from_shell(row)}{_why_drifting(row) if abs(row.drift_deg_day) >= _FAST_DEG_DAY else ''}"
    return f"{_from_shell(row)}{_why_drifting(row)}"


def _from_shell(row: Any) -> str:
    away = abs(row.from_shell_km)
    if away < 0.05:
        return "at its shell"
    length = f"{away:,.1f}" if away < 9.95 else f"{away:,.0f}"
    return f"{length} km {'above' if row.from_shell_km > 0.0 else 'below'} its shell"


def _why_drifting(row: Any) -> str:
    """Say how a drifting object moves against its shell, and what else sets it apart."""
    parts = []
    if abs(row.from_shell_deg) >= 0.15:
        parts.append(f"{abs(row.from_shell_deg):.1f}° {'more' if row.from_shell_deg > 0.0 else 'less'} inclined")
    if row.eccentricity >= 0.002:
        parts.append(f"eccentricity {row.eccentricity:.4f}")
    if abs(row.drift_deg_day) >= 0.05:
        verb = "gains" if row.drift_deg_day > 0.0 else "loses"
        parts.append(f"{verb} {abs(row.drift_deg_day):,.1f}° a day on it")
    return "".join(f", {part}" for part in parts)


def _change(row: Any) -> str:
    """Say what a manoeuvre did: "by +1.83 km", "by 0.012° of inclination"."""
    parts = []
    if abs(row.rise_km) >= 0.05:
        parts.append(signed(row.rise_km, 2, " km"))
    if abs(row.tilt_deg) >= 0.005:
        parts.append(signed(row.tilt_deg, 3, "° of inclination"))
    return " and ".join(parts) or "by little"


def day(moment: Any) -> str:
    """Return the UTC date of an aware moment as people write it: "Wed 25 Nov 2026"."""
    return f"{moment:%a} {moment.day} {moment:%b %Y}"


def between(after: Any, before: Any) -> str:
    """Say between which days something happened: "on Wed 25 Nov 2026", "between Tue 24 Nov and Wed 25 Nov 2026"."""
    if after.date() == before.date():
        return f"on {day(before)}"
    first = f"{after:%a} {after.day} {after:%b}" if after.year == before.year else day(after)
    return f"between {first} and {day(before)}"


# ---------------------------------------------------------------------------------- of late

_TAKES_SNAPSHOTS: Final = "that takes snapshots of several days, which a fleet with a feed keeps."
NO_HISTORY: Final = f"Who manoeuvred, who went missing and which launches arrived is not known: {_TAKES_SNAPSHOTS}"
_ONLY_MANOEUVRES: Final = f"Who went missing and which launches arrived is not known: {_TAKES_SNAPSHOTS}"


def lately_sentences(condition: conditions.Condition) -> list[str]:
    """Say what happened to a fleet of late, and on how many snapshots that rests."""
    history, sentences = condition.history, []
    if history is None:
        return [_manoeuvred(condition), _ONLY_MANOEUVRES] if condition.manoeuvres else [NO_HISTORY]
    if history.snapshots < 2:
        return [
            f"There is one snapshot so far, of {day(history.until)}. More of them will tell who manoeuvres, who goes "
            "missing and which launches arrive."
        ]
    sentences.append(_manoeuvred(condition))
    if history.missing:
        sentences.append(_missing(history.missing))
    else:
        sentences.append("Nobody went missing.")
    if history.arrivals:
        last = history.arrivals[-1]
        what = f"{last.launch or 'one without a designator'} of {counted(last.objects, 'object')}"
        words = f"{counted(len(history.arrivals), 'launch', 'launches')} arrived"
        sentences.append(
            f"{words}, {'' if len(history.arrivals) == 1 else 'the last '}{what}, first seen {day(last.seen_at)}."
        )
    else:
        sentences.append("No launch arrived.")
    if history.more_pieces:
        sentences.append(f"{counted(history.more_pieces, 'more object')} of earlier launches came into the list.")
    damaged = f"; {counted(history.damaged, 'other')} could not be read" if history.damaged else ""
    sentences.append(
        f"Seen in {history.snapshots:,} snapshots from {day(history.since)} to {day(history.until)}{damaged}."
    )
    return sentences


def _manoeuvred(condition: conditions.Condition) -> str:
    """Say how many manoeuvred in the last seven days, and the last of them."""
    if not condition.manoeuvres:
        return "Nobody was seen to manoeuvre in the last 7 days."
    last = condition.manoeuvres[0]
    names = dict(zip(condition.objects["satellite_id"], condition.objects["name"], strict=True))
    who = _label(names.get(last.satellite_id, ""), last.satellite_id)
    number = len(condition.manoeuvres)
    lead = f"By elements of the last 7 days {counted(number, 'object')} {'has' if number == 1 else 'have'} manoeuvred"
    return f"{lead}{': ' if number == 1 else ', the last '}{who}, {between(last.after, last.before)}, {_change(last)}."


def _missing(missing: Sequence[Missing]) -> str:
    """Say how many are missing and how many of them must have come down, and who went last."""
    number, gone, last = len(missing), sum(each.came_down for each in missing), missing[0]
    down = (
        "" if not gone else ", and must have come down" if number == 1 else f", {gone:,} of which must have come down"
    )
    lead = f"{counted(number, 'object')} of earlier snapshots {'is' if number == 1 else 'are'} missing{down}"
    who = f"{_label(last.name, last.satellite_id)}, held until {day(last.last_held_at)}"
    return f"{lead}{': ' if number == 1 else '; the last to go was '}{who}."


def _label(name: str, number: str) -> str:
    return f"{name} ({number})" if name else number


def shell_sentences(condition: conditions.Condition) -> list[str]:
    """Say of each shell that stands out how many planes it has, and how many of their slots are held."""
    sentences = []
    for shell in condition.shells:
        lead = f"The shell at {shell.altitude_km:,.0f} km, {shell.inclination_deg:.1f}° has "
        planes = counted(shell.planes, "plane")
        if shell.slots is None or shell.held is None:
            sentences.append(f"{lead}{planes}, not evenly filled; {counted(shell.serving, 'satellite')} serve there.")
        else:
            total = shell.planes * shell.slots
            sentences.append(f"{lead}{planes} of {shell.slots:,} slots; {shell.held:,} of {total:,} slots are held.")
    return sentences


def shell_rows(found: Sequence[shells.Shell], condition: conditions.Condition) -> pd.DataFrame:
    """Return one row a shell of a fleet's listing, with the planes and slots of those that stand out."""
    import dataclasses

    import pandas as pd

    rows = [dataclasses.asdict(shell) for shell in found]
    for plan in condition.shells:
        # A shell that stands out is in the listing too, by all of its objects and not by the steady ones alone.
        near = [
            row
            for row in rows
            if "planes" not in row
            and abs(row["altitude_km"] - plan.altitude_km) < 5.0
            and abs(row["inclination_deg"] - plan.inclination_deg) < 0.15
        ]
        if near:
            row = max(near, key=lambda each: each["objects"])
            row |= {"serving": plan.serving, "planes": plan.planes, "slots": plan.slots, "held": plan.held}
    figures = ("serving", "planes", "slots", "held")
    columns = [*(field.name for field in dataclasses.fields(shells.Shell)), *figures]
    table = pd.DataFrame(rows, columns=columns)
    for name in figures:
        # Whole numbers stay whole where others are not known.
        table[name] = pd.Series([row.get(name) for row in rows], dtype="object")
    return table


def snapshot_facts(condition: conditions.Condition) -> dict[str, Any] | None:
    """Return for JSON on which snapshots a condition rests; None where there are none."""
    history = condition.history
    if history is None:
        return None
    return {
        "first": instant(history.since),
        "last": instant(history.until),
        "read": history.snapshots,
        "damaged": history.damaged,
    }


def change_columns() -> list[Column]:
    """Return the columns of what happened of late: rows of `Condition.changes`."""
    return [
        Column("when", "When", of_row(lambda row: between(row.after, row.before))),
        Column("change", "What", TEXT),
        Column("who", "Who", of_row(_who_changed)),
        Column("how", "How", of_row(_how_changed)),
    ]


def _who_changed(row: Any) -> str:
    if row.change == "launch":
        return f"{row.launch or 'no designator'}, {counted(int(row.objects), 'object')}"
    return _label(row.name, row.satellite_id)


def _how_changed(row: Any) -> str:
    if row.change == "launch":
        return "seen to arrive"
    if row.change == "missing":
        return f"was at {row.altitude_km:,.0f} km{'; must have come down' if row.came_down else ''}"
    return f"{_change(row)}, {row.speed_m_s:.2g} m/s"


# Where there are no satellites yet.
WHERE_FROM: Final = (
    "Public catalogues give out the orbital elements of every satellite, without charge, as two-line files or as OMM, "
    "the newer form. Save the file of your own service's satellites, and choose it here. Or name the address of such a "
    "file in the workspace, as the feed of a fleet: passim update then fetches it, and asks nobody else."
)
INVENTED_START: Final = (
    "Or begin with satellites that passim invents: every page works, and says that they are invented. Nothing that it "
    "then says holds for a real service."
)
START_INVENTED: Final = "Start with an invented fleet"
INVENTED_MEANWHILE: Final = (
    "These elements are too old to answer with. passim can put a fleet of invented satellites beside them, whose "
    "elements are always of today: every page then answers, and says that it is invented. Nothing that it says holds "
    "for a real service."
)


def too_old_line(age_s: float, *, invented: str) -> str:
    """Return what stands over the page Elements where no page answers; `invented` is the fleet of today, if any."""
    instead = f"choose the fleet {invented}" if invented else "begin with an invented fleet below"
    return f"Elements {timing.age_words(age_s)} old: too old for a forecast. Load newer ones here, or {instead}."


def started_words(fleet: str) -> str:
    """Return what is said once an invented fleet is there."""
    return f"{fleet} is there. Files that you choose later may take its place."


def may_replace_words(old: str) -> str:
    """Return that files were kept as a fleet of their own beside one that they may be meant to replace."""
    return f"{old} is still there beside it, and stays the one that pages open with. Nothing of it was changed."


def replace_button(old: str) -> str:
    """Return the words of the button that lets new files take the place of a fleet."""
    return f"Let these files replace {old}"


def replaced_words(old: str, fleet: str, *, invented: bool) -> str:
    """Return what is said once files have taken the place of a fleet."""
    if invented:
        return f"{old} is gone, and {fleet} is the fleet that pages open with."
    return f"{fleet} is now these files. Those it had before stay in the workspace, and can be taken back."
