"""What the Elements page says of fleets that serve, of one that has decayed, and of how old elements may be."""

from __future__ import annotations

import base64
import functools
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import commands
from asking import outcome, unhurried
from passim.errors import ElementsError, InputError
from passim.forecast import timing
from passim.workspace import Workspace, adding, create
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.controls import options_of_controls
from passim_apps.dashboard.file_changes import taken_back
from passim_apps.dashboard.notes import age_warning, answered
from passim_apps.dashboard.page_model import Answer
from passim_apps.dashboard.pages import elements, now, why
from passim_apps.dashboard.pages.sky import page as sky
from passim_apps.dashboard.shell import told_in_head
from passim_apps.dashboard.state import DashboardState
from passim_apps.figures.theme import LIGHT
from passim_apps.text import elements as elements_words
from passim_apps.text.ways_out import in_page_words
from passim_apps.text.workspace import ALL_INVENTED, ALL_SITES, DEMONSTRATION, STANDS_IN

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


def test_the_figures_beside_the_picture_are_those_of_the_answer(state: DashboardState) -> None:
    answer = asked(state, "")
    (serving, _), (age, _), (error, _) = answer.figures
    question = state.question(read_query("")[0])
    fresh = question.freshness(question.now)
    assert answer.sentence.startswith(f"{serving} satellites")
    assert (age, float(error.removesuffix(" s"))) == (timing.age_words(fresh.median_s), float(f"{fresh.sigma_s:.2g}"))


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


def test_whoever_has_no_satellites_yet_is_told_where_they_come_from(tmp_path: Path) -> None:
    (tmp_path / "passim.toml").write_text('name = "Office"\n', encoding="utf-8")
    empty = DashboardState(Workspace.load(tmp_path), at=AT)
    try:
        told = str(elements.loader(empty.question(read_query("")[0])))
        assert elements_words.WHERE_FROM in told
        assert elements_words.START_INVENTED in told
        adding.add_invented_fleet(empty.workspace)
        assert elements_words.START_INVENTED not in str(elements.loader(empty.question(read_query("")[0])))
    finally:
        empty.close()


def test_elements_too_old_to_answer_lead_to_an_invented_fleet(tmp_path: Path) -> None:
    site = '[[sites]]\nname = "Office"\nlatitude_deg = 45.0\nlongitude_deg = -28.0\nspots = [{ name = "roof" }]\n'
    (tmp_path / "passim.toml").write_text(site, encoding="utf-8")
    adding.add_fleet(Workspace.load(tmp_path), [("old.tle", (SAMPLES / "decayed.tle").read_bytes())])
    here = DashboardState(Workspace.load(tmp_path), at=AT)
    try:
        question = here.question(read_query("")[0])
        with pytest.raises(ElementsError) as caught:
            answered(question, now.PAGE, LIGHT)
        # Neither the command line nor a day that no page offers.
        assert in_page_words(caught.value).endswith(
            "try newer elements, or the page Elements, which takes other files and offers an invented fleet"
        )
        assert elements_words.START_INVENTED in str(elements.loader(question))
        assert age_warning(question, elements.PAGE).endswith("or begin with an invented fleet below.")
        name = adding.add_invented_fleet(here.workspace)
        question = here.question(read_query("")[0])
        assert elements_words.START_INVENTED not in str(elements.loader(question))
        assert age_warning(question, elements.PAGE).endswith(f"or choose the fleet {name}.")
        beside = here.question(read_query(f"?fleet={name}")[0])
        assert in_front(outcome(functools.partial(answered, beside, now.PAGE, LIGHT))).startswith(STANDS_IN)
    finally:
        here.close()


def test_the_head_tells_what_is_invented_and_of_one_real_fleet_nothing(tmp_path: Path) -> None:
    demo = create(tmp_path / "demo", demo=True, at=AT)
    begun = DashboardState(demo, at=AT)
    try:
        question = begun.question(read_query("")[0])
        assert DEMONSTRATION in str(told_in_head(question, options_of_controls(question, now.PAGE)))
        assert ALL_SITES not in str(told_in_head(question, options_of_controls(question, now.PAGE)))
        assert ALL_SITES in str(told_in_head(question, {}))
    finally:
        begun.close()
    with (demo.folder / "passim.toml").open("a", encoding="utf-8") as file:
        file.write(f'\n[[fleets]]\nname = "own"\nelements = ["{SAMPLES / "polar-star-66.tle"}"]\n')
    mixed = DashboardState(Workspace.load(demo.folder), at=AT)
    try:
        question = mixed.question(read_query("")[0])
        assert told_in_head(question, options_of_controls(question, now.PAGE)) == []
    finally:
        mixed.close()


def in_front(answer: Answer) -> str:
    """Return what is read first after the sentence of a page."""
    return answer.beside or answer.second


def test_an_invented_fleet_is_said_to_be_one_on_every_page_and_command(tmp_path: Path) -> None:
    site = '[[sites]]\nname = "Office"\nlatitude_deg = 45.0\nlongitude_deg = -28.0\nspots = [{ name = "roof" }]\n'
    (tmp_path / "passim.toml").write_text(f'name = "Own"\n{site}', encoding="utf-8")
    adding.add_invented_fleet(Workspace.load(tmp_path))
    begun = DashboardState(Workspace.load(tmp_path), at=AT)
    try:
        question = begun.question(read_query("")[0])
        for page in (why.PAGE, sky.PAGE):
            assert in_front(outcome(functools.partial(answered, question, page, LIGHT))).startswith(STANDS_IN)
        assert "Plover (invented)" in elements.PAGE.answer(question, LIGHT).sentence
        assert ALL_INVENTED in str(told_in_head(question, {}))
    finally:
        begun.close()
    asked = ["gaps", "--workspace", str(tmp_path), "--from", AT.isoformat(), "--hours", "1"]
    assert STANDS_IN in commands.run(*asked).stdout


def test_files_of_a_name_that_is_there_may_take_its_place(tmp_path: Path) -> None:
    here = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT)
    data = base64.b64encode((SAMPLES / "two-line.txt").read_bytes()).decode()
    given = [("mine.tle", f"data:application/octet-stream;base64,{data}")]
    try:
        assert outcome(lambda: elements.take(here, given)).replaces == "Plover"
        again = outcome(lambda: elements.take(here, given))
        assert (again.fleet, again.replaces) == ("mine 2", "mine")
        told, fleet = elements.replaced(here, "mine", "mine 2")
        assert (fleet, here.workspace.fleet_names) == ("mine", ("Plover", "mine"))
        taken_back(here.workspace, told[-1].id["of"])
        assert here.workspace.fleet_names == ("Plover", "mine", "mine 2")
        # Only that very change is taken back.
        with pytest.raises(InputError, match="later changes"):
            taken_back(here.workspace, told[-1].id["of"])
    finally:
        here.close()
