"""What a record says of the sky over a site, as people read it: which directions are clear, blocked, not known yet."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from passim.sky import ground

from .answer import Answer, plain_numbers, site_facts, span_facts
from .columns import COUNT, Column, Format, of_row
from .notes import Note, background
from .units import LocalClock, counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from passim.line import HorizonEvidence

# Verdicts, and what JSON calls how many there are.
_KEYS: Final = {"clear": "clear", "blocked": "blocked", "not known": "not_known"}
_ELEVATION: Final = Format(lambda degrees: f"{degrees:.0f}°")

COLUMNS: Final = (
    Column(
        "azimuth_from_deg",
        "Direction",
        of_row(lambda row: f"{row.azimuth_from_deg:.0f}° to {row.azimuth_to_deg:.0f}°", numeric=True),
    ),
    Column("blocked_below_deg", "Blocked below", _ELEVATION),
    Column("clear_above_deg", "Clear above", _ELEVATION),
    Column("not_known", "Not known", COUNT),
    Column("horizon_deg", "Roof line", _ELEVATION),
    Column(
        "days_to_settle",
        "More days needed",
        Format(lambda days: "?" if math.isinf(days) else _days(days)),
    ),
)


def evidence_sentences(found: HorizonEvidence) -> list[str]:
    """Say how much of the sky the record decides, where it is blocked highest, and how long the rest would take."""
    count = found.cells["verdict"].value_counts()
    clear, blocked, open_ = (int(count.get(verdict, 0)) for verdict in ("clear", "blocked", "not known"))
    sentences = [
        f"Of {len(found.cells):,} directions the record shows {clear:,} surely clear and {blocked:,} surely blocked; "
        f"{open_:,} are not known yet."
    ]
    sectors = found.sectors
    if blocked:
        worst = sectors.sort_values("blocked_below_deg").dropna(subset="blocked_below_deg").iloc[-1]
        middle = (worst["azimuth_from_deg"] + worst["azimuth_to_deg"]) / 2.0
        if worst["blocked_below_deg"] <= found.floor_deg:
            sentences.append(
                f"Nothing above {found.floor_deg:.0f}°, the lowest your terminal looks, is shown to be blocked."
            )
        else:
            sentences.append(
                f"The sky is blocked highest towards the {ground.compass_word(middle % 360.0)}: surely below "
                f"{worst['blocked_below_deg']:.0f}°."
            )
    settled = sectors["days_to_settle"] == 0.0
    number, waiting = int(settled.sum()), int((~settled & np.isfinite(sectors["days_to_settle"])).sum())
    down = f"How far down the sky is clear is known to within 5° in {number or 'none'} of {len(sectors):,} directions"
    if waiting and 0.0 < found.days_to_settle < math.inf:
        more = f"{_days(found.days_to_settle)} more of such a record would settle most of the {waiting:,} that it can"
        sentences.append(f"{down}; {more}.")
    elif number == len(sectors):
        sentences.append(f"{down}.")
    else:
        sentences.append(f"{down}; more days like these would settle no other.")
    return sentences


def _days(days: float) -> str:
    if not days:
        return "settled"
    return "1 day" if days < 1.0 else counted(math.ceil(days), "day")


def evidence_notes(found: HorizonEvidence) -> list[Note]:
    """Return what is to be known beside it."""
    aside = f" Satellites that the {' or the '.join(found.held)} shuts out are left aside." if found.held else ""
    return [
        Note(
            "Clear: the line held while a satellite there alone can have served. Blocked: it froze while satellites "
            f"stood there, more often than luck would have it.{aside}"
        ),
        background(
            "Directions are 15° wide and 5° high; each is decided by two separate passes or more. Moments of the "
            "record are looked at every 5 s."
        ),
        background(
            "The roof line runs halfway between what is blocked and what is clear above it, where these lie within 5° "
            "of each other. Elsewhere it is not settled; a horizon file has there what the spot has now, as far as the "
            "record leaves it open."
        ),
    ]


def evidence_answer(found: HorizonEvidence, clock: LocalClock, notes: Sequence[Note]) -> Answer:
    """Return the answer for all faces: a row a sector, and in JSON the cells as well."""
    count = found.cells["verdict"].value_counts()
    cells: list[Any] = list(found.cells.itertuples(index=False))
    facts: dict[str, Any] = {
        "site": site_facts(found.site),
        "span": span_facts(found.span),
        **{key: int(count.get(verdict, 0)) for verdict, key in _KEYS.items()},
        **plain_numbers({"days_to_settle": found.days_to_settle}),
        "held": list(found.held),
        "cells": [
            {"verdict": cell.verdict, **plain_numbers({k: getattr(cell, k) for k in cell._fields if k != "verdict"})}
            for cell in cells
        ],
    }
    sentence = "\n".join([*evidence_sentences(found), f"Looked at {clock.stretch(found.span)}."])
    return Answer("survey record", sentence, found.sectors, COLUMNS, [*evidence_notes(found), *notes], facts)


def caption(found: HorizonEvidence) -> str:
    """Say what to see in the picture."""
    return "Hatched: surely blocked. Shaded: surely clear. Blank: not known yet. " + " ".join(
        evidence_sentences(found)[1:]
    )


NOT_KNOWN: Final = "not known yet"
LOWEST: Final = "the terminal's lowest"
