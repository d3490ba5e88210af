"""Who may ask the dashboard, and what it answers to those who may not: the forged requests are sent, one by one."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import flask
import pytest
from flask.testing import FlaskClient

import callbacks
from asking import got, outcome, unhurried
from passim.answers.growth import launch_plan as growth_plan
from passim.errors import InputError
from passim.workspace import Workspace, create, plans
from passim_apps.dashboard import security
from passim_apps.dashboard.factory import make_app
from passim_apps.dashboard.pages import PAGES, elements, growth
from passim_apps.dashboard.security import (
    LARGEST_REQUEST_BYTES,
    Password,
    TooSoon,
    content_policy,
    hosts_of,
    who_is_known,
)
from passim_apps.dashboard.state import DashboardState

HOST = "127.0.0.1:8750"
ORIGIN = f"http://{HOST}"
AT = datetime(2026, 11, 25, 8, 5, tzinfo=UTC)
SAMPLES = Path(__file__).resolve().parent.parent / "tle_samples"


@pytest.fixture(autouse=True)
def _unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    unhurried(monkeypatch)


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DashboardState]:
    workspace = create(tmp_path_factory.mktemp("served") / "school", demo=True, at=AT)
    opened = DashboardState(workspace, at=AT)
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def server(state: DashboardState) -> flask.Flask:
    served: flask.Flask = make_app(state, hosts=hosts_of(8750)).server
    return served


@pytest.fixture
def client(server: flask.Flask) -> FlaskClient:
    return server.test_client()


def ask(client: FlaskClient, path: str, method: str = "GET", **headers: str) -> flask.Response:
    given = {"Host": HOST, **{key.replace("_", "-"): value for key, value in headers.items()}}
    answer: flask.Response = client.open(path, method=method, headers={k: v for k, v in given.items() if v})
    # Files are streamed: read to the end, so that they are closed.
    answer.get_data()
    answer.close()
    return answer


# --- hosts and origins ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", [HOST, "localhost:8750", "[::1]:8750", "LocalHost:8750"])
def test_the_own_names_are_answered(client: FlaskClient, host: str) -> None:
    assert ask(client, "/", Host=host).status_code == 200


def test_a_foreign_name_reaches_nothing(client: FlaskClient, subtests: pytest.Subtests) -> None:
    """A name somebody else owns can be pointed at this machine; the browser then sends it as Host."""
    for host in [
        "elements.example:8750",
        "127.0.0.1",
        "127.0.0.1:9",
        "127.0.0.1:8750.elements.example",
        "127.0.0.1:8750@x.example",
    ]:
        for path in ["/", "/_dash-layout", "/assets/passim.css", "/csv/clock/days.csv"]:
            with subtests.test(host=host, path=path):
                answer = ask(client, path, Host=host)
                assert answer.status_code == 403
                assert b"Plover" not in answer.data


def test_a_forwarded_host_does_not_help(client: FlaskClient) -> None:
    assert ask(client, "/", Host="elements.example", X_Forwarded_Host=HOST).status_code == 403


@pytest.mark.parametrize(
    "origin", ["", "null", "http://elements.example", "http://127.0.0.1:8751", "http://127.0.0.1:8750.x.example", HOST]
)
def test_a_change_must_come_from_an_own_page(client: FlaskClient, origin: str) -> None:
    assert ask(client, "/_dash-update-component", "POST", Origin=origin).status_code == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH"])
def test_other_methods_are_changes_too(client: FlaskClient, method: str) -> None:
    assert ask(client, "/", method).status_code == 403


def test_an_own_page_may_change(client: FlaskClient) -> None:
    body = callbacks.opening("/clock")
    answer = client.post("/_dash-update-component", json=body, headers={"Host": HOST, "Origin": ORIGIN})
    assert answer.status_code == 200
    assert answer.json["response"]["opened"]["data"]["path"] == "/clock"


# --- paths ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_page_has_its_address(client: FlaskClient, page: object) -> None:
    answer = ask(client, page.path)  # type: ignore[attr-defined]
    assert answer.status_code == 200
    assert '<html lang="en">' in answer.text


@pytest.mark.parametrize(
    "path",
    ["/nowhere", "/clock/", "/admin", "/passim.toml", "/.env", "/assets/../passim.toml", "/assets/none.js"],
)
def test_unknown_paths_are_not_found(client: FlaskClient, path: str) -> None:
    answer = ask(client, path)
    assert answer.status_code in (403, 404)
    assert "_dash-config" not in answer.text


def test_health_is_told(client: FlaskClient) -> None:
    assert ask(client, "/health").status_code == 200


@pytest.mark.parametrize(
    "path",
    [
        "/assets/..%2f..%2fpyproject.toml",
        "/assets/%2e%2e/%2e%2e/pyproject.toml",
        "/assets//etc/passwd",
        "/csv/..%2f..%2fetc/passwd.csv",
        "/csv/now/%2e%2e%2fpassim.csv",
        "/_dash-component-suites/dash/..%2f..%2fflask/app.py",
    ],
)
def test_no_path_leads_out_of_what_is_served(client: FlaskClient, path: str) -> None:
    answer = ask(client, path)
    assert answer.status_code >= 400
    assert "setuptools" not in answer.text
    assert "root:" not in answer.text


# --- what a page may load ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/nowhere", "/assets/passim.css", "/_dash-layout", "/csv/sites/side.csv"])
def test_every_answer_carries_the_rules(client: FlaskClient, path: str) -> None:
    headers = ask(client, path).headers
    policy = headers["Content-Security-Policy"]
    assert "unsafe-eval" not in policy
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    [scripts] = re.findall(r"script-src ([^;]*)", policy)
    assert "unsafe-inline" not in scripts
    assert "http:" not in policy
    assert "https:" not in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    # Not "no-referrer": browsers then send "Origin: null" with the form of the password, which is refused.
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["X-Frame-Options"] == "DENY"


def test_the_page_names_no_other_host(client: FlaskClient) -> None:
    text = ask(client, "/").text
    assert re.findall(r'(?:src|href)="(?:https?:)?//[^"]*"', text) == []


def test_the_policy_lets_own_inline_scripts_in_by_their_hash() -> None:
    assert "script-src 'self' 'sha256-a' 'sha256-b';" in content_policy(["'sha256-b'", "'sha256-a'"])


# --- sizes and uploads ------------------------------------------------------------------------------------------------


def test_a_request_that_is_too_large_is_refused(client: FlaskClient) -> None:
    answer = client.post(
        "/_dash-update-component",
        headers={"Host": HOST, "Origin": ORIGIN},
        content_type="application/json",
        data=b"{}",
        environ_overrides={"CONTENT_LENGTH": str(LARGEST_REQUEST_BYTES + 1)},
    )
    assert answer.status_code == 413


def encoded(data: bytes) -> str:
    return f"data:application/octet-stream;base64,{base64.b64encode(data).decode()}"


def files_below(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


def test_objects_in_two_files_of_one_fleet_count_once(tmp_path: Path) -> None:
    here = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT)
    data = encoded((SAMPLES / "two-line.txt").read_bytes())
    try:
        once = outcome(lambda: elements.take(here, [("monday.tle", data)])).message
        twice = outcome(lambda: elements.take(here, [("monday.tle", data), ("tuesday.tle", data)])).message
    finally:
        here.close()
    assert once.partition(": ")[2].removesuffix(" in 1 file.") == twice.partition(": ")[2].removesuffix(" in 2 files.")


def test_a_file_lands_in_the_workspace_whatever_it_is_called(tmp_path: Path) -> None:
    here = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT)
    known = files_below(tmp_path) | {"school/.passim.before"}  # the settings as they were
    try:
        for name in ("../../outside.tle", "/etc/outside.tle", "C:\\outside.tle", ".hidden", "", "a\0b.tle"):
            given = [(name, encoded((SAMPLES / "two-line.txt").read_bytes()))]
            loaded = outcome(lambda given=given: elements.take(here, given))
            fleet_name, told = loaded.fleet, loaded.message
            assert told.startswith(f"Loaded as {fleet_name}: "), name
            written = files_below(tmp_path) - known
            assert len(written) == 1, name
            assert all(path.startswith("school/elements/") for path in written), name
            known |= written
            again = Workspace.load(tmp_path / "school")
            assert fleet_name in again.fleet_names
            assert len(again.fleet(fleet_name)) > 0
    finally:
        here.close()


@pytest.mark.parametrize(
    "name", ["../../outside.csv", "/etc/outside.csv", "C:\\outside.csv", ".hidden", "", "plan.csv"]
)
def test_a_plan_lands_beside_the_workspace_whatever_it_is_called(tmp_path: Path, name: str) -> None:
    here = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT)
    before = files_below(tmp_path)
    plan = plans.demo_plan(AT.date())
    try:
        file_name, told = outcome(lambda: growth.take_plan(here, name, encoded(plan.encode())))
    finally:
        here.close()
    assert told == f"Kept as {file_name}: 3 launches, 380 satellites."
    assert files_below(tmp_path) - before == {f"school/{file_name}"}
    assert (tmp_path / "school" / file_name).read_text() == plan
    assert set(plans.plan_files(Workspace.load(tmp_path / "school"))) == {"plan.csv", file_name}


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "wanted the header date,planes,"),
        (b"\xff\xfe\x00", "not UTF-8"),
        (b"x" * (growth_plan.LARGEST_PLAN_BYTES + 1), "at most 1 MB"),
        (plans.demo_plan(date(2020, 1, 1)).encode(), "line 3: a launch that would serve already"),
    ],
)
def test_a_plan_that_cannot_be_used_changes_nothing_and_says_why(state: DashboardState, data: bytes, told: str) -> None:
    folder = state.workspace.folder
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    with pytest.raises(InputError, match=told):
        outcome(lambda: growth.take_plan(state, "ours.csv", encoded(data)))
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_what_cannot_be_read_changes_nothing_and_says_why(state: DashboardState) -> None:
    folder = state.workspace.folder
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    good = encoded((SAMPLES / "two-line.txt").read_bytes())
    for given, told in [
        ([("page.html", encoded(b"<html><body>no</body></html>"))], "an HTML page"),
        ([("good.tle", good), ("empty.tle", encoded(b""))], "empty"),
        ([("odd.tle", "data:;base64,***")], "as browsers send it"),
        ([("many.tle", good)] * (elements.MOST_FILES + 1), "at most 8"),
        ([("large.tle", encoded(b"x" * (elements.LARGEST_FILE_BYTES + 1)))], "at most 32 MB"),
    ]:
        with pytest.raises(InputError, match=told):
            outcome(lambda given=given: elements.take(state, given))  # type: ignore[misc]
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_a_name_from_a_file_stays_text(tmp_path: Path) -> None:
    hostile = "=HYPERLINK(1)<script>alert(1)</script>"[:24]
    here = DashboardState(create(tmp_path / "school", demo=True, at=AT), at=AT)
    try:
        records = json.dumps([{**record, "OBJECT_NAME": hostile} for record in json.loads(omm())])
        fleet_name = outcome(lambda: elements.take(here, [("x.json", encoded(records.encode()))])).fleet
        client = make_app(here, hosts=hosts_of(8750)).server.test_client()
        text = got(client, f"/csv/elements/ages.csv?fleet={fleet_name}", {"Host": HOST}).text
    finally:
        here.close()
    assert f"'{hostile}" in text  # the quote keeps a spreadsheet from running it
    assert f",{hostile}" not in text


def omm() -> str:
    import passim

    fleet = passim.walker(
        total=2, planes=1, phasing=0, inclination_deg=53.0, altitude_km=550.0, epoch=AT.replace(hour=0), name="x"
    )
    from passim.elements.omm_text import write_json

    return write_json(fleet)


# --- the password -----------------------------------------------------------------------------------------------------


class Clock:
    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def quick_scrypt(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make hundreds of passwords take no time; what they are kept as is the business of other tests."""
    monkeypatch.setitem(security._SCRYPT, "n", 2)


def test_a_password_costs_its_guesser_time_and_memory() -> None:
    """RFC 7914, section 2 (recalled): N = 16384 and r = 8 for interactive use, which takes 128 N r bytes: 16 MiB."""
    assert security._SCRYPT == {"n": 16384, "r": 8, "p": 1}


def test_a_password_opens_one_session_and_is_replaced() -> None:
    told: list[str] = []
    password = Password(told.append, Clock())
    token = password.try_open(f" {told[0].upper()} ")
    assert password.is_open(token)
    assert len(told) == 2
    assert told[0] != told[1]
    assert password.try_open(told[0]) is None, "it opens once"
    assert not password.is_open("made up")
    assert not password.is_open(None)


def test_a_session_ends_after_twelve_hours_and_not_before() -> None:
    told: list[str] = []
    clock = Clock()
    password = Password(told.append, clock)
    token = password.try_open(told[0])
    clock.now_s += 12 * 3600.0 - 1.0
    assert password.is_open(token)
    clock.now_s += 1.0
    assert not password.is_open(token)


def test_a_session_that_is_ended_is_gone_and_the_others_stay() -> None:
    told: list[str] = []
    password = Password(told.append, Clock())
    first, second = password.try_open(told[-1]), password.try_open(told[-1])
    password.end(first)
    password.end("made up")
    password.end(None)
    assert not password.is_open(first)
    assert password.is_open(second)


@pytest.mark.usefixtures("quick_scrypt")
def test_the_fifty_first_session_ends_the_oldest_alone() -> None:
    told: list[str] = []
    clock = Clock()
    password = Password(told.append, clock)
    tokens = []
    for _ in range(50):
        clock.now_s += 1.0
        tokens.append(password.try_open(told[-1]))
    assert all(password.is_open(token) for token in tokens)
    clock.now_s += 1.0
    tokens.append(password.try_open(told[-1]))
    assert [password.is_open(token) for token in tokens] == [False] + [True] * 50


@pytest.mark.usefixtures("quick_scrypt")
def test_wrong_passwords_slow_the_next_try() -> None:
    told: list[str] = []
    clock = Clock()
    password = Password(told.append, clock)
    waits = []
    for _ in range(9):
        assert password.try_open("wrong", "192.0.2.1") is None
        with pytest.raises(TooSoon) as early:
            password.try_open(told[0], "192.0.2.1")
        waits.append(early.value.wait_s)
        clock.now_s += early.value.wait_s
    assert waits == [1, 2, 4, 8, 16, 32, 60, 60, 60]
    assert password.try_open(told[0], "192.0.2.1") is not None
    # The right one starts the count anew.
    assert password.try_open("wrong", "192.0.2.1") is None
    with pytest.raises(TooSoon) as early:
        password.try_open(told[-1], "192.0.2.1")
    assert early.value.wait_s == 1


@pytest.mark.usefixtures("quick_scrypt")
def test_wrong_passwords_of_one_address_hold_up_no_other() -> None:
    told: list[str] = []
    password = Password(told.append, Clock())
    for k in range(300):
        assert password.try_open("wrong", f"192.0.2.{k}") is None
    with pytest.raises(TooSoon):
        password.try_open(told[0], "192.0.2.7")
    assert password.try_open(told[0], "198.51.100.1") is not None


@pytest.mark.usefixtures("quick_scrypt")
def test_what_is_remembered_of_wrong_passwords_is_bounded() -> None:
    told: list[str] = []
    password = Password(told.append, Clock())
    for k in range(1001):
        assert password.try_open("wrong", f"peer {k}") is None
    assert len(password._wrong) == 1000
    assert password.try_open("wrong", "peer 0") is None, "the one that was quiet longest is forgotten"
    with pytest.raises(TooSoon):
        password.try_open("wrong", "peer 1000")


def test_a_large_body_is_taken_from_a_session_alone() -> None:
    told: list[str] = []
    password = Password(told.append, Clock())
    token = password.try_open(told[0])
    is_known = who_is_known(password)
    assert is_known({"COOKIE": f"other=1; passim_session={token}"})
    for head in ({}, {"COOKIE": "passim_session="}, {"COOKIE": "passim_session=made-up"}, {"COOKIE": str(token)}):
        assert not is_known(head)
    assert who_is_known(None)({})


def test_on_the_network_every_address_is_answered_and_no_foreign_name(
    state: DashboardState, subtests: pytest.Subtests
) -> None:
    """An address as Host was typed or linked as it is; only a name can have been pointed at this machine."""
    for host, status in [
        ("192.0.2.99:8750", 200), ("[2001:db8::7]:8750", 200), ("school-pc.local:8750", 200),
        ("192.0.2.99:8751", 403), ("192.0.2.99", 403), ("2001:db8::7:8750", 403), ("[192.0.2.99]:8750", 403),
        ("192.0.2.99.elements.example:8750", 403), ("elements.example:8750", 403), ("3221225985:8750", 403),
        ("", 403), (":8750", 403), ("[]:8750", 403),
    ]:  # fmt: skip
        with subtests.test(host=host, status=status):
            app = make_app(state, hosts=hosts_of(8750, ["school-pc.local", "2001:db8::5"]), any_address_port=8750)
            assert app.server.test_client().get("/", headers={"Host": host}).status_code == status


def test_an_address_of_ipv6_stands_in_brackets() -> None:
    assert "[2001:db8::5]:8750" in hosts_of(8750, ["2001:db8::5"])


@pytest.fixture(scope="module")
def guarded(state: DashboardState) -> tuple[flask.Flask, list[str]]:
    told: list[str] = []
    app = make_app(state, hosts=hosts_of(8750, ["192.0.2.7"]), password=Password(told.append))
    return app.server, told


def test_without_the_password_nothing_is_shown(guarded: tuple[flask.Flask, list[str]]) -> None:
    client = guarded[0].test_client()
    page = ask(client, "/clock?days=3")
    assert page.status_code == 303
    assert page.headers["Location"] == "/login?next=%2Fclock%3Fdays%3D3"
    # It brings its icon: a browser would ask for one that is not there.
    assert 'rel="icon" href="data:,"' in ask(client, "/login").text
    for path in ("/_dash-layout", "/_dash-dependencies", "/csv/clock/days.csv", "/assets/passim.js"):
        assert ask(client, path).status_code == 401
    assert ask(client, "/_dash-update-component", "POST", Origin=ORIGIN).status_code == 401


def test_the_password_opens_the_page_that_was_asked_for(guarded: tuple[flask.Flask, list[str]]) -> None:
    server, told = guarded
    client = server.test_client()
    login = {"password": told[-1], "next": "/clock?days=3"}
    foreign = client.post("/login", data=login, headers={"Host": HOST, "Origin": "http://elements.example"})
    assert foreign.status_code == 403
    answer = client.post("/login", data=login, headers={"Host": "192.0.2.7:8750", "Origin": "http://192.0.2.7:8750"})
    assert (answer.status_code, answer.headers["Location"]) == (303, "/clock?days=3")
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "Max-Age=43200" in cookie, "as long as the session"
    token = cookie.partition("=")[2].partition(";")[0]
    for value, status in ((token, 200), ("made-up", 303)):
        other = server.test_client()
        other.set_cookie("passim_session", value, domain="127.0.0.1")
        assert ask(other, "/clock").status_code == status


@pytest.mark.parametrize(
    "wanted", ["http://elements.example/", "//elements.example/", "/nowhere", "javascript:alert(1)"]
)
def test_after_the_password_comes_an_own_page(guarded: tuple[flask.Flask, list[str]], wanted: str) -> None:
    server, told = guarded
    answer = server.test_client().post(
        "/login", data={"password": told[-1], "next": wanted}, headers={"Host": HOST, "Origin": ORIGIN}
    )
    assert (answer.status_code, answer.headers["Location"]) == (303, "/")


def test_a_wrong_password_is_told_and_then_slowed(state: DashboardState) -> None:
    told: list[str] = []
    client = make_app(state, hosts=hosts_of(8750), password=Password(told.append, Clock())).server.test_client()
    headers = {"Host": HOST, "Origin": ORIGIN}
    assert client.post("/login", data={"password": "wrong"}, headers=headers).status_code == 403
    slowed = client.post("/login", data={"password": told[-1]}, headers=headers)
    assert slowed.status_code == 429
    assert int(slowed.headers["Retry-After"]) >= 1
    assert "Set-Cookie" not in slowed.headers


def test_a_wrong_password_elsewhere_does_not_keep_the_right_one_out(state: DashboardState) -> None:
    told: list[str] = []
    client = make_app(state, hosts=hosts_of(8750), password=Password(told.append, Clock())).server.test_client()
    headers = {"Host": HOST, "Origin": ORIGIN}
    for data in ("wrong", told[-1]):
        client.post("/login", data={"password": data}, headers=headers, environ_base={"REMOTE_ADDR": "192.0.2.1"})
    right = client.post(
        "/login", data={"password": told[-1]}, headers=headers, environ_base={"REMOTE_ADDR": "192.0.2.2"}
    )
    assert right.status_code == 303


def test_logging_out_ends_the_session_and_not_only_the_cookie(guarded: tuple[flask.Flask, list[str]]) -> None:
    server, told = guarded
    client = server.test_client()
    headers = {"Host": HOST, "Origin": ORIGIN}
    answer = client.post("/login", data={"password": told[-1]}, headers=headers)
    token = answer.headers["Set-Cookie"].partition("=")[2].partition(";")[0]
    client.set_cookie("passim_session", token, domain="127.0.0.1")
    assert ask(client, "/clock").status_code == 200
    assert ask(client, "/logout", "POST", Origin="http://elements.example").status_code == 403
    assert ask(client, "/logout").status_code == 404
    assert ask(client, "/clock").status_code == 200, "nobody else logs one out"
    out = ask(client, "/logout", "POST", Origin=ORIGIN)
    assert (out.status_code, out.headers["Location"]) == (303, "/login")
    assert "passim_session=;" in out.headers["Set-Cookie"]
    client.set_cookie("passim_session", token, domain="127.0.0.1")
    assert ask(client, "/clock").status_code == 303
