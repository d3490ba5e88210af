"""The state: what is kept within its bound, what a question finds, and a workspace that changes under it."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import callbacks
import passim
from asking import outcome
from passim.errors import ElementsError, InputError, WorkspaceError
from passim.parallel.jobs import WorkerPool
from passim.workspace import Workspace, create, new_site
from passim_apps.dashboard import shell
from passim_apps.dashboard.address import Choices, query_of, read_query
from passim_apps.dashboard.controls import known, options_of_controls
from passim_apps.dashboard.factory import make_app
from passim_apps.dashboard.notes import TOO_OLD_TO_TELL_WHEN, age_warning, answered, refuse_old
from passim_apps.dashboard.page_model import Page
from passim_apps.dashboard.pages import PAGES, clock, elements, now
from passim_apps.dashboard.pages.calls import page as calls
from passim_apps.dashboard.pages.setup import page as setup_page
from passim_apps.dashboard.pages.sites import page as sites
from passim_apps.dashboard.pages.sky import page as sky
from passim_apps.dashboard.state import ByteLimitedCache, DashboardState, Pending, memory_bytes
from passim_apps.figures.theme import LIGHT
from passim_apps.text.units import duration
from passim_apps.text.ways_out import in_page_words
from patience import PATIENCE_S
from tests import scenario

AT = datetime(2026, 11, 25, 8, 5, tzinfo=UTC)


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    """Workers take a second each to begin: the tests share them."""
    with WorkerPool(2) as opened:
        yield opened


@pytest.fixture
def state(tmp_path: Path, pool: WorkerPool) -> DashboardState:
    opened = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT, pool=pool)
    return opened


def test_what_is_kept_stays_within_its_bound() -> None:
    kept = ByteLimitedCache(100)
    for k in range(50):
        kept.put(k, f"value {k}", 30)
        assert kept.total_bytes <= 100
    assert [kept.get(k) for k in (46, 47, 49)] == [None, "value 47", "value 49"]
    kept.get(47)  # used again, so 48 goes first
    kept.put(50, "value 50", 30)
    assert (kept.get(47), kept.get(48)) == ("value 47", None)
    kept.put(47, "anew", 30)
    assert (kept.get(47), kept.total_bytes) == ("anew", 90)
    kept.put("huge", "alone", 1000)
    assert (kept.get("huge"), kept.get(47)) == ("alone", None)


def test_what_nobody_asks_for_is_let_go() -> None:
    now_s = 0.0
    kept = ByteLimitedCache(1000, unused_s=60.0, clock=lambda: now_s)
    # One answer a minute, as an open page asks, and one that somebody asks for all the time.
    kept.put("looks", "always", 10)
    for minute in range(100):
        now_s = 60.0 * minute
        kept.put(minute, "for this minute", 10)
        assert kept.get("looks") == "always"
        assert kept.total_bytes <= 30
    assert [kept.get(minute) for minute in (97, 98, 99)] == [None, "for this minute", "for this minute"]
    now_s += 60.1
    assert (kept.get(99), kept.get("looks"), kept.total_bytes) == (None, None, 0)


def test_the_size_of_a_result_is_that_of_what_it_holds_each_thing_once() -> None:
    numbers, table = np.zeros(10_000), pd.DataFrame({"x": np.zeros(5_000)})
    alone = memory_bytes((numbers,))
    assert 80_000 <= alone <= 80_500
    assert memory_bytes({"first": numbers, "again": [numbers]}) - alone < 1_000
    assert 40_000 <= memory_bytes(table) <= 41_000
    assert memory_bytes([float(k) for k in range(1_000)]) == 32_000
    fleet = scenario.plover(AT)
    assert memory_bytes(fleet) == 360_000
    span = passim.Span.starting(AT, hours=2.0)
    seen = passim.find_visibility(fleet, passim.View.usual(scenario.MARRAM_LOFT), span, warn=False)
    without, whole = memory_bytes(seen, fleets=False), memory_bytes(seen)
    assert whole - without == 360_000
    assert without >= sum(array.nbytes for array in seen.base)


def test_a_rehearsal_begins_at_its_time_and_goes_on(state: DashboardState) -> None:
    assert 0.0 <= (state.now() - AT).total_seconds() < PATIENCE_S
    assert state.question(Choices()).today == date(2026, 11, 25)


def test_a_question_finds_what_passim_finds(state: DashboardState) -> None:
    """The invented scenario at Marram's loft, asked at the state and asked of passim itself."""
    question = state.question(Choices())
    span = question.days(1)
    assert (span.start, span.end) == (datetime(2026, 11, 25, 1, tzinfo=UTC), datetime(2026, 11, 26, 1, tzinfo=UTC))
    fleet = scenario.plover(datetime(2026, 11, 25, tzinfo=UTC))
    passes = passim.find_passes(fleet, scenario.MARRAM_LOFT, span)
    sky_alone = dataclasses.replace(question.view, limits=())
    seen = question.seen(span, sky_alone)
    pd.testing.assert_frame_equal(seen.coverage.gaps(), passim.Coverage.from_passes(passes, span).gaps())
    assert question.seen(span, sky_alone) is seen
    assert len(question.seen(span).coverage.gaps()) > 0


def test_choices_change_what_is_seen(state: DashboardState) -> None:
    out = {}
    for query in ("", "?spot=yard", "?mask=45", "?site=Skerry", "?day=2026-11-26"):
        question = state.question(read_query(query)[0])
        out[query] = question.seen(question.days(1)).coverage.summary()["covered_fraction"]
    assert len(set(out.values())) == 5
    assert out["?mask=45"] < out["?spot=yard"] < out[""] < out["?site=Skerry"]


@pytest.mark.parametrize("query", ["?site=Nowhere", "?site=Marram&spot=cellar", "?fleet=Gulls"])
@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_unknown_names_are_told_and_the_controls_still_offer_the_known(
    state: DashboardState, query: str, page: object
) -> None:
    question = state.question(read_query(query)[0])
    with pytest.raises(WorkspaceError, match="wanted one of"):
        page.answer(question, LIGHT)  # type: ignore[attr-defined]
    # Setup changes places and fleets instead of choosing among them.
    if page is not setup_page.PAGE:
        assert options_of_controls(question, page)["place"].value == "Marram/loft"  # type: ignore[arg-type]


def test_long_work_is_done_elsewhere_and_then_there(state: DashboardState) -> None:
    question = state.question(read_query("?days=14")[0])
    with pytest.raises(Pending) as under_way:
        clock.PAGE.answer(question, LIGHT)
    assert under_way.value.job.done.wait(PATIENCE_S)
    answer = clock.PAGE.answer(question, LIGHT)
    table = answer.panels["days"].table
    assert table is not None
    assert len(table.rows) == 14


def test_stopped_work_is_told_once(state: DashboardState) -> None:
    question = state.question(read_query("?days=14")[0])
    with pytest.raises(Pending) as under_way:
        clock.PAGE.answer(question, LIGHT)
    state.pool.cancel(under_way.value.job.number)
    assert under_way.value.job.done.wait(PATIENCE_S)
    with pytest.raises(InputError, match="stopped"):
        clock.PAGE.answer(question, LIGHT)
    with pytest.raises(Pending):
        clock.PAGE.answer(question, LIGHT)


@pytest.mark.parametrize("query", ["?days=0", "?days=99", "?days=x"])
def test_a_number_of_days_out_of_range_is_told(state: DashboardState, query: str) -> None:
    with pytest.raises(InputError, match="number of days"):
        clock.PAGE.answer(state.question(read_query(query)[0]), LIGHT)


def test_now_says_yes_in_the_afternoon_and_no_in_the_morning(state: DashboardState) -> None:
    """The scenario's lesson: mornings freeze, afternoons do not."""
    morning = outcome(lambda: now.PAGE.answer(state.question(Choices()), LIGHT))
    assert morning.sentence.startswith("Not a good moment for a live video lesson of 30 min")
    afternoon = dataclasses.replace(state.question(Choices()), now=datetime(2026, 11, 25, 14, 5, tzinfo=UTC))
    with pytest.raises(Pending):  # 200 futures of a whole fleet are no work for the thread of a request
        now.PAGE.answer(afternoon, LIGHT)
    told = outcome(lambda: now.PAGE.answer(afternoon, LIGHT))
    assert told.sentence == "A good moment for a live video lesson of 30 min."
    assert told.still is None


def test_as_many_gaps_are_told_as_are_listed_whatever_goes_over_midnight(state: DashboardState) -> None:
    midnights = 0
    for day in range(25, 30):
        found = clock.PAGE.answer(state.question(read_query(f"?day=2026-11-{day}&days=1&mask=35")[0]), LIGHT)
        gaps = found.panels["gaps"].table
        assert gaps is not None
        count = len(gaps.rows)
        midnights += int(gaps.rows["cut_at_start"].any() or gaps.rows["cut_at_end"].any())
        assert f": {count} gaps, " in found.sentence
        assert found.panels["gaps"].caption.startswith(f"{count} gaps on ")
        figures = [tuple(each) for each in found.figures]
        assert figures[1] == (str(count), "gaps")
        assert figures[0][0] in found.sentence
        assert figures[2] == (duration(gaps.rows["duration_s"].max()), "the longest")
    assert midnights > 0


@pytest.mark.parametrize("page", [now.PAGE, calls.PAGE], ids=lambda page: page.name)
def test_a_page_that_tells_the_age_itself_tells_no_other(state: DashboardState, page: Page) -> None:
    found = outcome(lambda: page.answer(state.question(Choices()), LIGHT))
    aged = [note.text for note in found.notes if re.search(r"\bold\b.*(band|timing error)", note.text)]
    assert len(aged) == 1, aged


def test_the_figures_of_now_are_those_of_its_tables(state: DashboardState) -> None:
    for at, good in (
        (datetime(2026, 11, 25, 9, 5, tzinfo=UTC), False),
        (datetime(2026, 11, 25, 14, 5, tzinfo=UTC), True),
    ):
        asked = dataclasses.replace(state.question(Choices()), now=at)
        found = outcome(lambda asked=asked: now.PAGE.answer(asked, LIGHT))
        (frozen, _), (gaps, _), (start, words) = found.figures
        assert gaps == str(len(found.panels["hour"].table.rows))
        first = found.panels["ahead"].table.rows.iloc[0]
        assert frozen == ("nothing" if good else duration(first["expected_frozen_s"]))
        assert words == "is the next good start"
        assert start == "now" if good else f"Better from {start}" in found.sentence


def test_what_was_said_of_a_minute_stands_until_the_next_ones_answer_is_there(state: DashboardState) -> None:
    asked = dataclasses.replace(state.question(Choices()), now=datetime(2026, 11, 25, 14, 5, 50, tzinfo=UTC))
    before = outcome(lambda: now.PAGE.answer(asked, LIGHT))
    later = dataclasses.replace(asked, now=asked.now + timedelta(seconds=20))
    meanwhile = now.PAGE.answer(later, LIGHT)
    assert meanwhile.still is not None
    assert meanwhile.sentence == before.sentence
    hidden, _, nobody_asks, number = shell.filled(now.PAGE, meanwhile, [[], [], []], "", ())[4:8]
    assert (hidden, nobody_asks, number) == (True, False, meanwhile.still.number)  # nothing blinks once a minute
    assert meanwhile.still.done.wait(PATIENCE_S)
    tables = [each.panels["ahead"].table for each in (meanwhile, now.PAGE.answer(later, LIGHT))]
    starts = [table.rows["start"][0] for table in tables if table is not None]
    assert starts == [datetime(2026, 11, 25, 14, 5, tzinfo=UTC), datetime(2026, 11, 25, 14, 6, tzinfo=UTC)]
    much_later = dataclasses.replace(asked, now=asked.now + timedelta(minutes=5))
    with pytest.raises(Pending):
        now.PAGE.answer(much_later, LIGHT)


def test_sites_are_ordered_by_their_service(state: DashboardState) -> None:
    answer = sites.PAGE.answer(state.question(Choices(site="Marram", spot="yard")), LIGHT)
    table = answer.panels["side"].table
    assert table is not None
    assert table.rows["covered_fraction"].is_monotonic_decreasing
    assert list(table.rows["site"])[:1] == ["Skerry"]
    assert answer.sentence.startswith("At Marram the loft is better than the yard: 26 min instead of 2 h 24 min ")


def test_a_damaged_workspace_is_told_and_the_old_one_stays(state: DashboardState) -> None:
    file = state.workspace.file
    sound = file.read_text(encoding="utf-8")
    file.write_text(sound + "\n[[sites]\n", encoding="utf-8")
    assert state.workspace.site_names == ("Marram", "Skerry", "Lantern")
    assert "What was read before still applies" in state.workspace_fault
    file.write_text(sound.replace('name = "Skerry"', 'name = "Reef"'), encoding="utf-8")
    assert state.workspace.site_names == ("Marram", "Reef", "Lantern")
    assert state.workspace_fault == ""


# --- what an address names in vain, what the terminal cannot use, what is too old -------------------------------------


def test_names_that_the_workspace_does_not_have_are_left_out_and_told(state: DashboardState) -> None:
    for query, stays, told in (
        ("?site=Nowhere&spot=yard&day=2026-11-26", "?day=2026-11-26", ["site; got 'Nowhere'; wanted one of Marram"]),
        ("?site=skerry&spot=cellar", "?site=skerry", ["mounting spot of Skerry; got 'cellar'; wanted one of"]),
        ("?fleet=Gulls&site=Marram", "?site=Marram", ["fleet; got 'Gulls'; wanted one of Plover"]),
        ("?site=Nowhere&fleet=Gulls", "", ["site; got 'Nowhere'", "fleet; got 'Gulls'"]),
        (
            "?site=marram&spot=YARD&fleet=plover&mask=30&days=3",
            "?site=marram&spot=YARD&mask=30&fleet=plover&days=3",
            [],
        ),
    ):
        choices, faults = known(state.workspace, read_query(query)[0])
        assert query_of(choices) == stays
        assert len(faults) == len(told)
        for fault, words in zip(faults, told, strict=True):
            assert fault.startswith(words)
            assert fault.endswith("the page goes on without it.")


def a_place(folder: Path, epoch: datetime, terminal: str = "") -> DashboardState:
    """Return the state of a workspace of one site and a few polar satellites of one epoch."""
    fleet = passim.walker(
        total=66, planes=6, phasing=2, inclination_deg=86.4, altitude_km=780.0, star=True, epoch=epoch, name="polar"
    )
    passim.write_elements(fleet, folder / "polar.json")
    site = new_site(name="Invented", latitude_deg=45.0, longitude_deg=-28.0)
    made = create(folder / "office", site=site, elements=[str(folder / "polar.json")])
    text = re.sub(r"(?m)^lowest_elevation_deg.*\n", "", made.file.read_text())
    made.file.write_text(re.sub(r"(?m)^\[terminal\]\n", f"[terminal]\n{terminal}\n", text))
    return DashboardState(Workspace.load(made.folder), at=AT)


def test_masks_below_what_the_terminal_can_use_are_not_offered_and_told(tmp_path: Path) -> None:
    opened = a_place(tmp_path, AT, "lowest_elevation_deg = 25")
    try:
        for query, extra in (("", []), ("?mask=10", ["10"])):
            question = opened.question(read_query(query)[0])
            offered = dict(options_of_controls(question, clock.PAGE)["mask"].options)
            assert list(offered) == ["own", "25", "30", "35", "40", "45", "50", "55", "60", *extra]
        assert offered["10"] == "10° all round, counts as 25°"
        [told] = [note.text for note in clock.PAGE.answer(question, LIGHT).notes if note.text.startswith("The mask")]
        assert told == (
            "The mask of 10° replaces the horizon of every spot, but counts as 25°: the terminal works from there up."
        )
        as_25 = opened.question(read_query("?mask=25")[0])
        ten, twenty_five = (each.seen(each.days(1)).coverage.summary() for each in (question, as_25))
        assert ten == twenty_five
    finally:
        opened.close()


def test_where_the_terminal_says_nothing_low_masks_are_offered_and_count(tmp_path: Path) -> None:
    opened = a_place(tmp_path, AT)
    try:
        question = opened.question(read_query("?mask=10")[0])
        assert "10" in dict(options_of_controls(question, clock.PAGE)["mask"].options)
        out = [
            each.seen(each.days(1)).coverage.summary()["covered_fraction"]
            for each in (question, opened.question(read_query("?mask=25")[0]))
        ]
        assert out[0] > out[1]
    finally:
        opened.close()


def test_pages_hold_the_bands_that_the_command_line_holds(tmp_path: Path) -> None:
    """Past 7 days no single time is told, past 14 nothing: the bands of passim.forecast.timing."""
    opened = a_place(tmp_path, AT - timedelta(days=1))
    try:
        for day, times, refused in (
            ("2026-11-26", True, False),
            ("2026-12-05", False, False),
            ("2026-12-10", None, True),
        ):
            question = opened.question(read_query(f"?day={day}&days=1&mask=40")[0])
            if refused:
                with pytest.raises(ElementsError) as caught:
                    refuse_old(question, clock.PAGE)
                line = in_page_words(caught.value)
                assert re.match(
                    r"elements are 1\d(\.\d)? days old at 2026-12-1\d \d\d:00 UTC; wanted at most 14 days; ", line
                )
                assert line.endswith(
                    "try newer elements, another day, or the page Elements, which takes other files and offers an "
                    "invented fleet"
                )
                refuse_old(question, elements.PAGE)
                continue
            refuse_old(question, clock.PAGE)
            sentence = clock.PAGE.answer(question, LIGHT).sentence
            assert sentence.endswith("without one.") == times
            assert sentence.endswith(TOO_OLD_TO_TELL_WHEN) != times
            assert bool(age_warning(question, clock.PAGE)) != times
        client = make_app(opened, hosts=["x"]).server.test_client()
        for path in ("/csv/clock/days.csv", "/ics/calls.ics"):
            answer = client.get(f"{path}?day=2026-12-10", headers={"Host": "x"})
            assert (answer.status_code, "days old at" in answer.text) == (400, True), path
    finally:
        opened.close()


@pytest.mark.parametrize("page", [clock.PAGE, now.PAGE, sky.PAGE], ids=lambda page: page.name)
def test_past_seven_days_no_picture_or_table_tells_single_times(tmp_path: Path, page: Page) -> None:
    """Shares and counts stand; what tells when is left out of picture, table, file and list, with one sentence."""
    for name in ("old", "new"):
        (tmp_path / name).mkdir()
    old, new = a_place(tmp_path / "old", AT - timedelta(days=9)), a_place(tmp_path / "new", AT)
    try:
        found, usual = (
            outcome(lambda each=each: answered(each.question(read_query("?days=1&mask=40")[0]), page, LIGHT))  # type: ignore[misc]
            for each in (old, new)
        )
        for panel in page.panels:
            here, there = found.panels[panel.name], usual.panels[panel.name]
            if "picture" in panel.times:
                assert not here.figure.data
                assert there.figure.data
            if "table" in panel.times:
                assert here.table is not None
                assert (len(here.table.rows), here.table.empty) == (0, TOO_OLD_TO_TELL_WHEN)
                assert len(there.table.rows) > 0
            elif here.table is not None:
                assert len(here.table.rows) > 0
            assert not re.search(r"\d\d:\d\d", here.caption), here.caption
        assert re.search(r"\d\d:\d\d", f"{usual.sentence} {usual.second} {usual.panels[page.panels[0].name].caption}")
        assert not re.search(r"\d\d:\d\d", f"{found.sentence} {found.second}"), found
        if page is sky.PAGE:
            crosses = [
                ["missing" in trace.name for trace in each.panels["panorama"].figure.data] for each in (found, usual)
            ]
            assert [any(each) for each in crosses] == [False, True]
            lists = [
                options_of_controls(each.question(read_query("?mask=40")[0]), page)["gap"].options
                for each in (old, new)
            ]
            assert len(lists[0]) == 1 < len(lists[1])
    finally:
        old.close()
        new.close()


def test_an_empty_workspace_is_no_fault_of_a_page(tmp_path: Path) -> None:
    """Every page can be opened and asked for its file: 400 with the reason, and no defect."""
    (tmp_path / "passim.toml").write_text('name = "Invented"\n')
    opened = DashboardState(Workspace.load(tmp_path), at=AT)
    assert opened.workspace.missing == ("sites", "fleets")
    client = make_app(opened, hosts=["x"]).server.test_client()
    try:
        for page in PAGES:
            assert client.get(page.path, headers={"Host": "x"}).status_code == 200
            body = callbacks.opening(page.path)
            filled = client.post("/_dash-update-component", json=body, headers={"Host": "x", "Origin": "http://x"})
            assert filled.status_code == 200
            assert bool(filled.json["response"]["opened"]["data"]["panels"]) == page.loads
            for panel in page.panels:
                if panel.table:
                    path = f"/csv/{page.name.lower()}/{panel.name}.csv"
                    answer = client.get(path, headers={"Host": "x"})
                    assert answer.status_code == 400, (path, answer.text)
                    assert answer.text.count("\n") == 1
    finally:
        opened.close()
