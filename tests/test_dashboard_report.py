"""The report from the page: the file of `passim report`, how far it is, and what is said where it cannot be made."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from passim.workspace import create
from passim_apps.dashboard.address import read_query
from passim_apps.dashboard.factory import make_app
from passim_apps.dashboard.report_button import progress_line, words_of
from passim_apps.dashboard.reporter import Reporter, ReportProgress
from passim_apps.dashboard.state import DashboardState
from patience import wait_until

AT = datetime(2026, 11, 25, 8, 5, tzinfo=UTC)
HOST = "127.0.0.1:8750"


@pytest.fixture
def state(tmp_path: Path) -> Iterator[DashboardState]:
    opened = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT)
    yield opened
    opened.close()


def test_a_report_is_asked_for_what_the_page_was_asked(state: DashboardState) -> None:
    words = words_of(state.question(read_query("?site=Skerry&day=2026-11-27&mask=40&kind=voice&minutes=20")[0]))
    assert words[0] == f"--workspace={state.workspace.folder}"
    assert words[1:3] == ["--site=Skerry", "--spot=roof"]
    assert re.match(r"--at=2026-11-25T08:05:\d\d", words[3])
    assert words[4:] == ["--mask=40", "--from=2026-11-27T01:00:00+00:00", "--kind=voice", "--minutes=20"]
    # Of a plain page everything but the place and the moment is as the workspace has it.
    assert len(words_of(state.question(read_query("")[0]))) == 4


def test_the_report_of_a_page_is_that_of_the_command_and_the_last_one_alone(state: DashboardState) -> None:
    client, reporter = make_app(state, hosts=[HOST]).server.test_client(), state.reporter
    question = state.question(read_query("?mask=40")[0])
    short = [*words_of(question), "--hours=2", "--no-world"]
    seen = [reporter.start(short)]
    assert seen[0].under_way
    assert reporter.start(["--help"]) == seen[0]  # one at a time: the second waits for the first
    wait_until(lambda: not (seen.append(reporter.making) or seen[-1].under_way))
    assert seen[-1].fault == ""
    assert {"Counting satellites"} <= {making.what for making in seen}
    assert all(0.0 <= making.share <= 1.0 for making in seen)
    where = f"/report/{seen[-1].token}.html"
    answer = client.get(where, headers={"Host": HOST})
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"] == 'attachment; filename="passim-report.html"'
    assert "Marram loft: when service is lost, and to what" in answer.text
    assert progress_line(seen[-1]).href == where
    assert client.get("/report/other.html", headers={"Host": HOST}).status_code == 404
    # What the command refuses is told in its one line, and the report before it is gone.
    reporter.start(["--days=20", f"--workspace={state.workspace.folder}"])
    wait_until(lambda: not reporter.making.under_way)
    assert re.match(r"span of a report; got '20 days'; wanted at most 14 days", progress_line(reporter.making).children)
    assert client.get(where, headers={"Host": HOST}).status_code == 404


def test_a_report_under_way_ends_with_the_dashboard() -> None:
    reporter = Reporter()
    reporter.start(["--help"])
    reporter.stop()
    assert reporter.making is None
    assert progress_line(ReportProgress("Finding passes", 0.25))[0].value == "0.25"
