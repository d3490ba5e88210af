"""What a record of the line teaches, as people read it: settings, how sure they are, what is not told apart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from .answer import Answer, plain_numbers, site_facts, span_facts
from .causes import ROOF_NOT_THE_CAUSE, WHAT_A_GATEWAY_IS
from .columns import TEXT, Column, Format, of_row
from .notes import Note, background
from .symptom import ELSEWHERE, compass_words, observation_sentence, setting_words
from .units import LocalClock, counted, duration, in_a_row, share

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from passim.line import LineFit, Rival

# Each number of a setting: its words and its unit.
NAMES: Final[dict[str, tuple[str, str]]] = {
    "mask_deg": ("lowest elevation all round", "°"),
    "gateway_latitude_deg": ("gateway, latitude", "°"),
    "gateway_longitude_deg": ("gateway, longitude", "°"),
    "gateway_mask_deg": ("gateway, its own mask", "°"),
    "gateway_distance_km": ("gateway, distance", " km"),
    "gateway_bearing_deg": ("gateway, bearing", "°"),
    "cone_azimuth_deg": ("cone, leaning towards", "°"),
    "cone_tilt_deg": ("cone, tilt", "°"),
    "cone_half_angle_deg": ("cone, half-angle", "°"),
    "arc_keep_out_deg": ("keep-out around the arc", "°"),
    "sector_from_deg": ("blocked sector, from", "°"),
    "sector_to_deg": ("blocked sector, to", "°"),
    "sector_top_deg": ("blocked sector, up to", "°"),
    "assignment_period_s": ("assignment clock, period", " s"),
    "assignment_phase_s": ("assignment clock, phase", " s"),
    "acquisition_s": ("time to acquire", " s"),
    "clock_offset_s": ("clock of the record, ahead by", " s"),
    "floor": ("frozen while no gap was forecast", ""),
    "missed": ("working while a gap was forecast", ""),
}
_SHARES: Final = ("floor", "missed")
# How many decimals a number has where it is not one.
_DECIMALS: Final = {"gateway_latitude_deg": 2, "gateway_longitude_deg": 2, "gateway_distance_km": 0}


def _number(name: str, value: float) -> str:
    if value != value:
        return ""
    if name in _SHARES:
        return share(value)
    return f"{value:,.{_DECIMALS.get(name, 1)}f}{NAMES[name][1]}"


def _range(row: Any) -> str:
    low, high = (_number(row.setting, value) for value in (row.low, row.high))
    return f"{low} to {high}" if low and low != high else low


COLUMNS: Final = (
    Column("setting", "Setting", Format(lambda name: NAMES[name][0], numeric=False)),
    Column("value", "Found", of_row(lambda row: _number(row.setting, row.value), numeric=True)),
    Column("low", "From", of_row(lambda row: _number(row.setting, row.low), numeric=True)),
    Column("high", "To", of_row(lambda row: _number(row.setting, row.high), numeric=True)),
    Column("as_set_up", "As set up", of_row(lambda row: _number(row.setting, row.as_set_up), numeric=True), 1),
    Column("told_apart", "Sure", Format(lambda apart: "yes" if apart else "no", numeric=False)),
    Column("instead", "What else would do as well", TEXT, 2, below=True),
)

_ELSEWHERE_MEASURED: Final = (
    "That is the line of {line}, whose record it is taken to be, and no reason to change anything at {here}. Choose "
    "{line} above to see whether anything needs changing there."
)
# A page has room for four: both bounds share one.
PAGE_COLUMNS: Final = (
    COLUMNS[0],
    COLUMNS[1],
    Column("range", "9 in 10 within", of_row(_range, numeric=True)),
    COLUMNS[4],
    COLUMNS[6],
)
ELSEWHERE_COLUMNS: Final = tuple(column for column in PAGE_COLUMNS if column.key != "as_set_up")

# What else would do as well as a number, where it is no other sort of setting.
_INSTEAD: Final = {
    "": "",
    "other mask": "another mask of the gateway, with the gateway elsewhere",
    "none": "none at all: the record asks too seldom to tell so short a time",
    "not searched": "taken as usual, not searched",
}

# What causes are called where two settings are set against each other.
_CAUSES: Final = {
    "mask": "the lowest elevation", "gateway": "the gateway", "cone": "the antenna cone",
    "arc": "the keep-out of the arc", "sector": "the blocked side", "slot": "the assignment clock",
    "acquisition": "the time to acquire",
}  # fmt: skip

# A lowest elevation this much above another is another cause, not its uncertainty.
_NOTABLY_HIGHER_DEG: Final = 1.0
# Who is to blame where the roof is not; a time to acquire is nobody's.
_BLAMED: Final = {
    "gateway": "where the gateway stands", "arc": "the keep-out of the arc", "slot": "the assignment clock",
    "cone": "the antenna cone",
}  # fmt: skip


def fit_sentences(found: LineFit, *, on_pages: bool = False, line: str | None = None) -> list[str]:
    """Say what the record teaches, whether anything needs changing and whether it is the roof; then what is open.

    ``line`` is the place that the record is taken to be of, where another one is asked about: nothing there changes.
    """
    recorded = counted(found.outages, "freeze")
    if found.evidence == "none":
        return [
            f"The record teaches nothing of the sky: of {found.tried:,} settings tried, none foretells the {recorded} "
            f"recorded better than luck. {ELSEWHERE}"
        ]
    part = "Part of the record" if found.evidence == "some" else "The record"
    explained, lucky = (share(each / found.frozen_s) for each in (found.explained_s, found.explained_by_luck_s))
    sentences = [
        f"{part} fits {_setting_words(found)}: that foretells {explained} of the {duration(found.frozen_s)} frozen; by "
        f"luck it would be {lucky}.",
        *(
            [_what_to_change(found, on_pages=on_pages), _roof_words(found)]
            if line is None
            else [_ELSEWHERE_MEASURED.format(line=line, here=found.site.name)]
        ),
    ]
    if abs(found.clock_offset_s) >= 0.5:
        way = "ahead of" if found.clock_offset_s > 0 else "behind"
        sentences.append(f"The record's clock is {abs(found.clock_offset_s):.1f} s {way} the forecast's.")
    near = [rival for rival in found.rivals if not rival.apart]
    if near:
        sentences.append(f"Not settled: {_setting_words(near[0])} would do as well. {_watched(found, near[0])}")
    return [words for words in sentences if words]


def nothing_to_change(found: LineFit) -> bool:
    """Return whether the limits as they are set up foretell the record as well as those found."""
    return found.as_set_up is not None and found.as_set_up.does_as_well


def _what_to_change(found: LineFit, *, on_pages: bool) -> str:
    if found.as_set_up is None:
        return ""
    now = found.as_set_up
    foretells = f"Your setup foretells {share(now.explained_s / found.frozen_s)} of it as it is"
    if now.does_as_well:
        return f"{foretells}: nothing needs changing. What differs is too little to matter."
    vain = (
        f", but forecasts {duration(now.in_vain_s)} of gaps that did not come (with what was found, "
        f"{duration(found.in_vain_s)})"
        if now.in_vain_s > found.in_vain_s
        else ""
    )
    way = f"“{OFFER}” puts what was found in its place" if on_pages else "--write puts what was found in its place"
    return f"{foretells}{vain}; {way}."


def _roof_words(found: LineFit) -> str:
    """Say whether a roof line has a part in what was found, as far as a record can tell."""
    kinds, mask_deg = found.setting.kinds, found.setting.sky.mask_deg or 0.0
    if "sector" in kinds:
        return "On the blocked side something stands in the way: a roof edge, a wall, a tree. Go and look."
    if found.setting.sky.cone is None and mask_deg >= found.floor_deg + _NOTABLY_HIGHER_DEG:
        set_up = found.settings.loc[found.settings["setting"] == "mask_deg", "as_set_up"]
        if not mask_deg >= float(set_up.iloc[0]) + _NOTABLY_HIGHER_DEG:
            return ""
        return (
            f"A record cannot tell what ends service at {mask_deg:.0f}°: a roof line as high all round, a terminal "
            f"that looks no lower, or an antenna cone of {90.0 - mask_deg:.0f}° that points straight up. Look at the "
            "horizon: what is open below that is not the roof."
        )
    settled = all(rival.apart for rival in found.rivals)
    blamed = [_BLAMED[kind] for kind in _BLAMED if kind in kinds and settled]
    if not blamed:
        return ""
    to_blame = f"{ROOF_NOT_THE_CAUSE}: {in_a_row(blamed)} {'is' if len(blamed) == 1 else 'are'}."
    return f"{to_blame} {WHAT_A_GATEWAY_IS}" if "gateway" in kinds else to_blame


def fit_notes(found: LineFit) -> list[Note]:
    """Return what is to be known beside a fit."""
    if found.evidence == "none":
        return []
    notes = [
        background(
            "The range holds nine in ten of 200 answers, each from the same record with its blocks of time drawn anew "
            "(a block bootstrap); it does not cover what another sort of setting would say."
        ),
        background(
            "Chosen on one half of the record (every second day; under four days every second block of minutes) and "
            f"scored on the other: {found.held_out_gain:.0f} above one constant chance of a freeze "
            "(log-likelihood, counted once a freeze). Shifted at random it scores as much in "
            f"{share(found.chance)} of cases."
        ),
    ]
    if found.setting.sky.gateway is not None:
        notes.append(
            Note(
                "A gateway found from freezes is worked out, not seen: it may stand for several, and its own mask is "
                "taken as usual."
            )
        )
    return notes


def fit_facts(found: LineFit) -> dict[str, Any]:
    """Return what JSON holds beside the rows."""
    clock = found.assignment
    return {
        "site": site_facts(found.site),
        "span": span_facts(found.span),
        "evidence": found.evidence,
        "setting": _setting_words(found) if found.evidence != "none" else None,
        **plain_numbers(
            {
                "held_out_gain": found.held_out_gain, "chance": found.chance, "clock_offset_s": found.clock_offset_s,
                "floor": found.floor, "missed": found.missed, "outages": found.outages, "frozen_s": found.frozen_s,
                "measured_s": found.measured_s, "explained_s": found.explained_s,
                "explained_by_luck_s": found.explained_by_luck_s, "in_vain_s": found.in_vain_s,
                "settings_tried": found.tried,
            }
        ),
        "held": list(found.held),
        "as_set_up": None if found.as_set_up is None else {
            **plain_numbers({"held_out_gain": found.as_set_up.held_out_gain,
                             "explained_s": found.as_set_up.explained_s,
                             "in_vain_s": found.as_set_up.in_vain_s}),
            "does_as_well": found.as_set_up.does_as_well,
        },
        "ends_modulo": {"period_s": clock.period_s, "phase_s": round(clock.phase_s, 3), "kept": round(clock.kept, 4),
                        "chance": clock.chance},
        "others": [
            {"setting": _setting_words(rival), "lacks": list(rival.lacks), "behind": round(rival.behind, 3),
             "behind_error": round(rival.behind_error, 3), "told_apart": rival.apart,
             "observation": _watched(found, rival)}
            for rival in found.rivals
        ],
    }  # fmt: skip


def fit_lines(found: LineFit, clock: LocalClock, *, on_pages: bool = False, line: str | None = None) -> list[str]:
    """Return what every face says first: the sentences, and of which time."""
    return [*fit_sentences(found, on_pages=on_pages, line=line), f"Looked at {clock.stretch(found.span)}."]


def _setting_words(found: LineFit | Rival) -> str:
    """Return what a setting is, its blocked sector too."""
    sky, sector = found.setting.sky, found.setting.sector
    if sector is None:
        return setting_words(sky, found.site)
    rest = f"{setting_words(sky, found.site)} and " if sky.kinds else ""
    stretch = f"from {sector.from_deg:.0f}° to {sector.to_deg:.0f}° (to the {compass_words(sector.middle_deg)})"
    return f"{rest}nothing below {sector.top_deg:.0f}° {stretch}"


def names_apart(chosen: tuple[str, ...], rival: tuple[str, ...]) -> tuple[str, str]:
    """Return what to call two settings of these kinds by what only one of them has, such as "the gateway".

    One that has no cause of its own is called by all of them: "the lowest elevation alone".
    """

    def name(one: tuple[str, ...], other: tuple[str, ...]) -> str:
        own = [_CAUSES[kind] for kind in one if kind not in other]
        every = [_CAUSES[kind] for kind in one]
        return in_a_row(own) if own else f"{in_a_row(every)} alone" if every else "a clear sky"

    return name(chosen, rival), name(rival, chosen)


def _watched(found: LineFit, rival: Rival) -> str:
    """Say what to watch for to tell what was chosen from a rival, each called by its causes."""
    if rival.observation is None:
        return ""
    names = names_apart(found.setting.kinds, rival.setting.kinds)
    return observation_sentence(rival.observation, found.site.timezone, names)


def fit_rows(found: LineFit) -> pd.DataFrame:
    """Return the settings with what else would do as well in words."""
    words = _INSTEAD | {f"rival {k}": _setting_words(one) for k, one in enumerate(found.rivals, 1)}
    return found.settings.assign(instead=[words[each] for each in found.settings["instead"]])


def how_words(found: LineFit) -> str:
    """Return how settings were found, to be kept beside what they assume."""
    return f"fitted to {counted(found.outages, 'recorded freeze')}; held-out gain {found.held_out_gain:.0f}"


def fit_answer(found: LineFit, clock: LocalClock, notes: Sequence[Note]) -> Answer:
    """Return the answer of the command line."""
    sentence = "\n".join(fit_lines(found, clock))
    return Answer("fit", sentence, fit_rows(found), COLUMNS, [*fit_notes(found), *notes], fit_facts(found))


def changing_lines(changes: Sequence[str], file: str) -> list[str]:
    """Return what to say before a fit is put into the workspace: the lines of its file that change."""
    return [f"Changes in {file}:", *(f"  {change}" for change in changes)]


NOT_WRITTEN: Final = "Nothing was written: your setup foretells the record as well as what was found."
WRITTEN: Final = "Written. passim workspace undo takes it back."
STOPPED: Final = "Stopped before anything was found; nothing was written."
TRYING: Final = "Trying settings"

# The page Measured in words.
TITLE: Final = "What explains this record?"
ABOUT: Final = (
    "Tries roof lines, gateways, antenna cones, a blocked side and assignment clocks (satellites handed out at fixed "
    "seconds) on one half of the record, whatever your setup says; what is found must foretell the other half better "
    "than luck. Nothing is changed until you say so."
)
FIND: Final = "Find the limits that explain this record"
NO_RECORD: Final = "There is no record yet to learn from."
TABLE: Final = "What was found, and how sure it is"
OFFER: Final = "Put this into my setup…"
WOULD_CHANGE: Final = "These lines of the settings file, passim.toml, would change, each marked as an assumption:"
NOTHING_NEW: Final = "Nothing changes: the workspace says all of this already."
AGREE: Final = "Write these lines"
NOW_WRITTEN: Final = "Written, and marked as an assumption. Every page goes by it from now on."
CHANGED_SINCE: Final = "The workspace or the fleet has changed since: search again first."


def progress_words(done: float) -> str:
    """Say how far a search is, `done` from 0 to 1."""
    return f"{TRYING}: {100.0 * done:.0f} %. " if done else "Waiting to begin. "
