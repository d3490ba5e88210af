"""The tables of ``passim hindcast``: each kind of forecast, each age of elements, each satellite."""

from __future__ import annotations

from typing import Any, Final

from .columns import AGE, COUNT, SHARE, TEXT, Column, number, of_row


def _bounds(row: Any) -> str:
    # Not a number: too few days to tell.
    return "" if row.skill_low != row.skill_low else f"{row.skill_low:.2f} to {row.skill_high:.2f}"


def _moved(row: Any) -> str:
    return "lost" if row.late_s != row.late_s else "moved" if row.moved else ""


_SECONDS: Final = number(2, " s")
_PAIR: Final = Column("pair", "Pair", COUNT, 1)
SCORE_COLUMNS: Final = (
    Column("forecast", "Forecast", TEXT),
    Column("brier", "Brier", number(4)),
    Column("reliability", "Reliability", number(4), 2),
    Column("resolution", "Resolution", number(4), 3),
    Column("uncertainty", "Uncertainty", number(4), 4),
    Column("skill", "Skill", number(2)),
    Column("skill_bounds", "95 %", of_row(_bounds, numeric=True), 1),
    Column("hit_rate", "Hits", SHARE, 1),
    Column("false_alarm_ratio", "False", SHARE, 1),
)
AGE_COLUMNS: Final = (
    _PAIR,
    Column("age_s", "Age", AGE),
    Column("satellites", "Satellites", COUNT),
    Column("shared_s", "Late in common", _SECONDS),
    Column("sigma_s", "Spread", _SECONDS),
    Column("expected_sigma_s", "Usual spread", _SECONDS),
    Column("moved", "Moved", COUNT),
    Column("lost", "Lost", COUNT),
)
SATELLITE_COLUMNS: Final = (
    Column("satellite_id", "Number", TEXT),
    Column("name", "Name", TEXT),
    _PAIR,
    Column("age_s", "Age", AGE, 2),
    Column("passes", "Passes", COUNT, 3),
    Column("late_s", "Late", _SECONDS),
    Column("rise_late_s", "Rise late", _SECONDS, 4),
    Column("set_late_s", "Set late", _SECONDS, 5),
    Column("moved", "Moved", of_row(_moved)),
)
