"""Recording from the page Measured in a real browser, and the evidence of that record as its reader opens it."""

from __future__ import annotations

import gzip
import hashlib
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest

from browsing import PATIENCE_MS, a_page, open_at, served
from passim import Journal, Span
from passim.line import OWN_PROBE, files
from passim.workspace import FILE_NAME, Workspace, create
from tests.simulated_line import school_with_another_gateway

pytest.importorskip("playwright.sync_api", reason="playwright is part of the test extra")
from playwright.sync_api import Browser, Page, expect

import commands

pytestmark = pytest.mark.browser
expect.set_options(timeout=PATIENCE_MS)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A workspace whose targets are ports of this machine where nobody listens: a refusal is an answer."""
    made = create(tmp_path / "school", demo=True)
    with made.file.open("a", encoding="utf-8") as file:
        file.write('\n[line]\ntargets = ["router=127.0.0.1:9", "far=127.0.0.2:9"]\nevery_s = 0.2\n')
    return made.folder


@pytest.fixture
def address(folder: Path) -> Iterator[str]:
    with served(folder, None) as found:
        yield found


def test_the_switch_records_and_the_record_goes_out_as_evidence(
    page: Page, browser: Browser, folder: Path, tmp_path: Path
) -> None:
    page.goto("/measured")  # without a record it has no picture
    expect(page.locator("#sentence")).to_contain_text("Nothing has been recorded")
    live, switch = page.locator("#measured-live"), page.get_by_label("Record from this machine")
    expect(live).to_have_text("Nothing is being recorded.")
    # Whom it would ask is said before anybody is asked.
    expect(page.locator(".recording")).to_contain_text("router (127.0.0.1), far (127.0.0.2) every 0.2 s")
    switch.check()
    expect(page.locator("#measured-told")).to_have_text("Recording.")
    expect(live).to_contain_text("Answering, ")
    expect(live).to_contain_text("no freeze since the recording began, ")
    # Whoever opens the page meanwhile finds it on.
    page.reload()
    expect(switch).to_be_checked()
    expect(live).to_contain_text("Answering, ")
    switch.uncheck()
    expect(page.locator("#measured-told")).to_contain_text("What was recorded stays in the journal")
    expect(live).to_contain_text("Not recording")
    with Journal(folder) as journal:
        assert journal.sources == (OWN_PROBE,)
        assert journal.check() == ()
        bounds = journal.bounds(OWN_PROBE)
    assert bounds is not None

    out = tmp_path / "evidence.html"
    made = commands.run("report", "--evidence", "--out", str(out), "--workspace", str(folder))
    assert made.exit_code == 0, made.output
    with a_page(browser, "file://") as sent:
        sent.goto(out.as_uri())
        expect(sent.locator("h1, .sentence").first).to_be_visible()
        for words in ("The line did not freeze", "How it was measured", "It does not show why", "RFC 3357"):
            expect(sent.get_by_text(words).first).to_be_visible()
        with sent.expect_download() as wanted:
            sent.get_by_role("link", name="evidence-record.csv.gz").click()
        data = Path(wanted.value.path()).read_bytes()
        expect(sent.locator("body")).to_contain_text(hashlib.sha256(data).hexdigest())
    record = files.parse_record(gzip.decompress(data), "raw").record
    assert [each.target.name for each in record.probes] == ["router", "far"]
    assert abs((record.span.start - bounds[0]).total_seconds()) < 1.0
    assert not any(each.lost.any() for each in record.probes)


def test_a_log_without_times_is_added_where_nothing_was_recorded_and_then_shown(page: Page, tmp_path: Path) -> None:
    log = tmp_path / "far.log"
    answers = (k for k in range(3600) if k % 290 >= 20)
    log.write_text(
        "PING 192.0.2.2 (192.0.2.2) 56(84) bytes of data.\n"
        + "".join(f"64 bytes from 192.0.2.2: icmp_seq={k + 1} ttl=57 time=40.0 ms\n" for k in answers),
        encoding="utf-8",
    )
    page.goto("/measured")
    expect(page.locator("#sentence")).to_contain_text("Nothing has been recorded")
    expect(page.locator("#fit-place")).to_be_hidden()
    # The fields wait closed until one of them is wanted; then that one and its like are there alone.
    start, said = page.get_by_label("When it begins (date and time)"), page.locator("#added-messages")
    expect(start).to_be_hidden()
    page.locator("#added-file input[type=file]").set_input_files(log)
    expect(said).to_contain_text("wanted the moment at which it was begun; try saying below when it begins")
    expect(page.get_by_label("Column with the time of each row")).to_be_hidden()
    expect(page.get_by_label("Time zone of the clock that wrote it")).to_have_value("Atlantic/Azores")
    start.fill("yesterday 08:00")
    page.get_by_role("button", name="Add the record").click()
    expect(said).to_contain_text("Added: far.log, 3,600 probes, 13 outages in 1 h measured, ")
    expect(said).to_contain_text("It has no times: they are counted from its start, 1 s apart.")
    expect(start).to_be_hidden()
    expect(page.locator("#sentence")).to_contain_text(re.compile(r"The line froze 13 times|Freezes do not come"))
    expect(page).to_have_url(re.compile(r"/measured\?record=far\.log$"))
    expect(page.locator("#fit-place")).to_be_visible()
    # A name that is taken is said, with the way to replace what has it.
    note = f"{datetime.now(UTC) - timedelta(days=2):%Y-%m-%d} 08:14 froze 20 s\n"
    page.locator("#added-file input[type=file]").set_input_files(
        {"name": "far.log", "mimeType": "text/plain", "buffer": note.encode()}
    )
    expect(said).to_contain_text("try saying below by which clock it was written")
    page.get_by_role("button", name="Add the record").click()
    expect(said).to_contain_text("try another name below, or replacing the one that is there")
    page.get_by_label("Replace the record that has this name").check()
    page.get_by_role("button", name="Add the record").click()
    expect(said).to_contain_text("Added: far.log, 1 outage in ")
    expect(page.locator("#sentence")).to_contain_text("The line froze once in ")


def test_a_search_for_limits_stops_and_what_it_finds_is_shown_written_and_taken_back(
    browser: Browser, tmp_path: Path
) -> None:
    folder = school_with_another_gateway(tmp_path / "school", Span.starting(datetime(2026, 3, 2, tzinfo=UTC), hours=4))
    file = folder / FILE_NAME
    before = file.read_text(encoding="utf-8")
    with served(folder, "2026-03-02T04:00Z") as address, a_page(browser, address) as page:
        find, fault = (
            page.get_by_role("button", name="Find the limits that explain this record"),
            page.locator("#fit-fault"),
        )
        stopped = "the work was stopped before it was done; try the same again"
        # A search may be done before Stop comes: then that for another place is stopped.
        for asked in ("?site=Lantern", "?site=Skerry", "?spot=yard"):
            open_at(page, f"/measured{asked}")
            find.click()
            expect(page.locator("#fit-said")).to_have_text(re.compile(r"Trying settings: \d+ %|Waiting"))
            page.evaluate("document.querySelector('#fit-stop').click()")
            expect(page.locator("#fit-fault .fault, #fit-answer .answer").first).to_be_visible()
            if fault.inner_text() == stopped:
                break
        expect(fault).to_have_text(stopped)
        expect(page.locator("#fit-working")).to_be_hidden()
        open_at(page, "/measured")
        find.click()
        expect(page.locator("#fit-answer .answer")).to_contain_text(re.compile(r"gateway \d+ km to the south"))
        expect(page.locator("#fit-answer")).to_contain_text(
            "“Put this into my setup…” puts what was found in its place"
        )
        with page.expect_download() as wanted:
            page.locator("#fit-answer").get_by_role("button", name="Download as CSV").click()
        table = pd.read_csv(Path(wanted.value.path()))
        assert {"mask_deg", "gateway_distance_km", "clock_offset_s"} <= set(table["setting"])
        page.get_by_role("button", name="Put this into my setup…").click()
        expect(page.locator("#fit-saved")).to_contain_text("fitted")
        assert file.read_text(encoding="utf-8") == before
        page.get_by_role("button", name="Write these lines").click()
        expect(page.locator("#fit-saved")).to_contain_text("Written, and marked as an assumption")
        assert [each.name for each in Workspace.load(folder).gateways("Marram")] == ["fitted"]
        page.locator("#fit-saved").get_by_role("button").click()
        expect(page.locator("#fit-saved")).not_to_contain_text("Written, and")
        assert file.read_text(encoding="utf-8") == before
