"""What the Elements page says of fleets that serve, of one that has decayed, and of how old elements may be."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from asking import unhurried
from passim.forecast import timing
from passim.workspace import adding, create
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.pages import elements
from passim_apps.dashboard.state import DashboardState
from passim_apps.figures.theme import LIGHT
from passim_apps.text import elements as elements_words

AT = datetime(2026, 11, 25, 8, 30, tzinfo=UTC)
SAMPLES = Path(__file__).parents[1] / "tle_samples"


@pytest.fixture(autouse=True)
def _unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    unhurried(monkeypatch)


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DashboardState]:
    opened = DashboardState(create(tmp_path_factory.mktemp("state") / "school", demo=True, at=AT), at=AT)
    adding.add_fleet(opened.workspace, [("decayed.tle", (SAMPLES / "decayed.tle").read_bytes())])
    yield opened
    opened.close()


def asked(state: DashboardState, query: str) -> Any:
    return elements.PAGE.answer(state.question(read_query(query)[0]), LIGHT)


def test_what_has_decayed_does_not_serve(state: DashboardState) -> None:
    answer = asked(state, "?fleet=decayed")
    status = list(answer.panels["ages"].table.rows["status"])
    gone = status.count("decayed")
    assert gone > 0
    told = [bool(serves) for serves in answer.panels["ages"].table.rows["serving"]]
    assert told == [each != "decayed" for each in status]
    if gone == len(status):
        assert answer.sentence.startswith(f"None of the {gone} objects of decayed serves: all have decayed. ")
    else:
        assert answer.sentence.startswith(f"{len(status) - gone} satellite")
    assert "every object is taken to serve" not in answer.panels["status"].caption


def test_the_ages_say_what_may_be_told_at_which(state: DashboardState) -> None:
    answer = asked(state, "")
    caption = answer.panels["ages"].caption
    assert (
        "up to 1 day, times and odds; up to 3 days, times, with odds beside them; up to 7 days, odds only;" in caption
    )
    assert "up to 14 days, only how long service is out in all; beyond that, nothing is forecast." in caption
    fresh = timing.band_for(state.workspace.fleet(None, AT), AT)
    assert f"Now, at {fresh.median_s / 3600.0:.1f} h: times and odds." in caption
    assert [note.text for note in answer.panels["ages"].figure.layout.annotations] == ["1 day"]


@pytest.mark.parametrize(
    ("age", "words"),
    [
        (timedelta(minutes=40), "40 min"),
        (timedelta(hours=8.51), "8.5 h"),
        (timedelta(hours=21.7), "21.7 h"),
        (timedelta(hours=24), "24 h"),
        (timedelta(days=2.34), "2.3 days"),
        (timedelta(days=7300), "7,300 days"),
    ],
)
def test_ages_have_a_tenth_at_most(age: timedelta, words: str) -> None:
    assert timing.age_words(age.total_seconds()) == words


def test_elements_of_one_age_are_told_once() -> None:
    def fresh(median_h: float, oldest_h: float) -> timing.Freshness:
        return timing.Freshness(timing.band_of(median_h * 3600.0), median_h * 3600.0, oldest_h * 3600.0, 0.3)

    assert elements_words.ages_sentence(fresh(21.7, 21.7), 21.7 * 3600.0) == "All are 21.7 h old."
    assert (
        elements_words.ages_sentence(fresh(8.51, 30.0), 7200.0)
        == "Half of them are older than 8.5 h; the oldest, 30 h."
    )
    assert elements_words.ages_sentence(fresh(21.7, 21.7), 18000.0).endswith("the youngest, 5 h.")
