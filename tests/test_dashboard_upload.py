"""Uploads whose files a worker reads first: no thread waits, the page asks again, and so many are under way at once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from dash import Dash, Input, Output, State, no_update

import passim_apps
from passim.errors import InputError
from passim.parallel.jobs import Job
from passim_apps.dashboard.state import Pending
from passim_apps.dashboard.upload import Upload, UploadAttempts, Waiting


def a_job() -> Job:
    return Job("read", len, (), 60.0)


def an_attempt(job: Job, found: object) -> Callable[[], object]:
    def attempt() -> object:
        if not job.done.is_set():
            raise Pending(job)
        if isinstance(found, Exception):
            raise found
        return found

    return attempt


def test_what_needs_no_work_is_taken_at_once() -> None:
    assert UploadAttempts().start(lambda: "taken") == "taken"


def test_an_upload_is_asked_for_until_its_work_is_done_and_then_says_the_same() -> None:
    handed, job = UploadAttempts(), a_job()
    with pytest.raises(Waiting) as waiting:
        handed.start(an_attempt(job, "taken"))
    token = waiting.value.token
    with pytest.raises(Waiting) as again:
        handed.ask(token)
    assert again.value.token == token
    job.finish()
    # The page may have asked again before the first of these answers is there.
    assert [handed.ask(token), handed.ask(token)] == ["taken", "taken"]
    for _ in range(4):
        handed.start(lambda: "another")
    with pytest.raises(InputError, match="no longer known"):
        handed.ask(token)


def test_whoever_asks_while_what_was_read_is_being_taken_waits_too() -> None:
    """On a busy machine a page asks several times before a fleet is written into the workspace."""
    handed, job = UploadAttempts(), a_job()
    last = an_attempt(job, "taken")

    def attempt() -> object:
        found = last()
        with pytest.raises(Waiting) as meanwhile:
            handed.ask(waiting.value.token)
        assert meanwhile.value.token == waiting.value.token
        return found

    with pytest.raises(Waiting) as waiting:
        handed.start(attempt)
    job.finish()
    assert [handed.ask(waiting.value.token), handed.ask(waiting.value.token)] == ["taken", "taken"]


def test_an_upload_of_two_files_waits_for_both() -> None:
    handed, first, second = UploadAttempts(), a_job(), a_job()
    last = an_attempt(second, "taken")

    def attempt() -> object:
        an_attempt(first, None)()
        return last()

    with pytest.raises(Waiting) as waiting:
        handed.start(attempt)
    first.finish()
    with pytest.raises(Waiting) as again:
        handed.ask(waiting.value.token)
    assert again.value.token == waiting.value.token
    second.finish()
    assert handed.ask(again.value.token) == "taken"


def test_what_cannot_be_used_is_told_when_it_has_been_read() -> None:
    handed, job = UploadAttempts(), a_job()
    with pytest.raises(Waiting) as waiting:
        handed.start(an_attempt(job, InputError("file", got="a page", wanted="elements")))
    job.finish()
    for _ in range(2):
        with pytest.raises(InputError, match="wanted elements"):
            handed.ask(waiting.value.token)


def test_four_uploads_wait_at_once_and_one_that_nobody_asks_for_makes_room() -> None:
    handed, jobs = UploadAttempts(), [a_job() for _ in range(5)]
    for job in jobs[:4]:
        with pytest.raises(Waiting):
            handed.start(an_attempt(job, "taken"))
    with pytest.raises(InputError, match="at most 4"):
        handed.start(an_attempt(jobs[4], "taken"))
    jobs[0].finish()
    with pytest.raises(Waiting):
        handed.start(an_attempt(jobs[4], "taken"))


def test_every_place_for_files_on_the_pages_is_the_same_part() -> None:
    """What takes files is made by `Upload`, or by the drop place that it uses: no page has an upload of its own."""
    folder = Path(passim_apps.__file__).parent / "dashboard"
    made = [path.name for path in folder.rglob("*.py") if "dcc.Upload(" in path.read_text(encoding="utf-8")]
    assert made == ["upload.py"]
    asking = [path.name for path in folder.rglob("*.py") if "UploadAttempts(" in path.read_text(encoding="utf-8")]
    # A feed hands nothing in, but its answer is waited for in the same way.
    assert sorted(asking) == ["feed.py", "upload.py"]


def test_an_upload_says_what_it_took_what_it_refused_and_that_it_still_reads() -> None:
    app, job = Dash(__name__), a_job()

    def take(files: list[tuple[str, str]], search: str) -> str:
        if files[0][0] == "bad.txt":
            raise InputError("file", got="bad.txt", wanted="a good one")
        return str(an_attempt(job, f"{len(files)} at {search}")())

    upload = Upload("plan", "Choose", 1000, multiple=True)
    told: list[Output] = [Output("address", "search", allow_duplicate=True)]
    upload.register(app, take, lambda found, search: (found, f"?{search}"), told, [State("address", "search")])
    hand_in, ask_again = (entry["callback"].__wrapped__ for entry in app.callback_map.values())

    words, query, token, resting, contents = hand_in(["data:,"], ["bad.txt"], "a")
    assert (words.children, words.role) == ("file; got 'bad.txt'; wanted a good one", "alert")
    assert (query, token, resting, contents) == (no_update, None, True, None)
    words, query, token, resting, contents = hand_in(["data:,", "data:,"], ["a.txt", "b.txt"], "a")
    assert (words.children, query, resting, contents) == ("Reading…", no_update, False, None)
    job.finish()
    assert ask_again(1, token, "b") == ("2 at a", "?b", None, True)
    assert ask_again(2, None, "b") == (no_update, no_update, no_update, True)
    assert {part.id for part in upload.place() if hasattr(part, "id")} == {"plan-messages", "plan-token", "plan-poll"}


def test_what_an_upload_kept_is_taken_again_by_a_button() -> None:
    app, handed = Dash(__name__), []

    def take(files: list[tuple[str, str]], start: str) -> str:
        handed.append(files)
        if not start:
            raise InputError("record", got="no start", wanted="one")
        return start

    upload = Upload("log", "Choose", 1000)
    upload.register(app, take, lambda found, _: (found,), [], [State("start", "value")], Input("go", "n_clicks"))
    hand_in, again, _ = (entry["callback"].__wrapped__ for entry in app.callback_map.values())
    assert hand_in("data:,", "a.log", "")[0].role == "alert"
    assert again(0, "08:00") == (no_update,) * 3
    assert again(1, "08:00") == ("08:00", None, True)
    assert handed == [[("a.log", "data:,")], []]
