"""Sentences that name a page lead there."""

from __future__ import annotations

from typing import Any

from passim_apps.dashboard.links import CLASS, linked
from passim_apps.dashboard.page_model import Answer
from passim_apps.dashboard.pages import PAGES
from passim_apps.dashboard.pages.sky import symptom
from passim_apps.dashboard.shell import lead
from passim_apps.text.pages import SECTIONS, SYMPTOM
from passim_apps.text.service import frozen_anyway_words, other_causes_words
from passim_apps.text.workspace import next_page


def hrefs(children: Any) -> list[str]:
    return [part.href for part in children if not isinstance(part, str)]


def test_every_page_that_a_sentence_names_is_a_link() -> None:
    for page in PAGES:
        before, link, after = linked(f"See the page {page.name}, then.", "?site=Marram")
        assert (before, link.children, link.className, after) == ("See the ", f"page {page.name}", CLASS, ", then.")
        assert link.href == f"{page.path}?site=Marram"
    assert linked("No page is named: neither Sky nor the pages of Calls.") == (
        "No page is named: neither Sky nor the pages of Calls."
    )


def test_what_to_do_where_nothing_explains_freezes_is_two_links() -> None:
    words = f"{frozen_anyway_words(on_pages=True)} {other_causes_words(on_pages=True)}"
    assert hrefs(linked(words, "?site=Marram")) == ["/measured?site=Marram", "/sky?site=Marram#symptom"]
    # A sentence for the command line names its commands.
    assert "passim probe" in frozen_anyway_words()
    assert "passim symptom" in other_causes_words()
    # The section is there, folded into what a script opens.
    place = symptom.block(None)  # type: ignore[arg-type]
    assert SECTIONS[SYMPTOM] == ("/sky", "symptom")
    assert [child.id for child in place.children if getattr(child, "id", None) == "symptom"] == ["symptom"]


def test_the_steps_of_an_empty_workspace_are_links() -> None:
    assert hrefs(linked(next_page(("sites", "fleets"), "Now"))) == ["/setup", "/elements"]
    assert hrefs(linked(next_page(("sites", "fleets"), "Setup"))) == ["/elements"]
    assert hrefs(linked(next_page(("fleets",), "Now"))) == ["/elements", "/setup"]
    # Nobody is asked for gateways where one is known.
    assert "gateways" in next_page(("fleets",), "Setup")
    assert "gateways" not in next_page(("fleets",), "Setup", gateways=True)


def test_what_must_be_read_with_the_sentence_of_a_page_stands_in_its_heading_with_links() -> None:
    alone = lead(Answer("No gap in 24 h.", {}), "?site=Marram")
    assert alone == "No gap in 24\N{NO-BREAK SPACE}h."
    sentence, beside = lead(Answer("No gap.", {}, beside=frozen_anyway_words(on_pages=True)), "?site=Marram")
    assert sentence == "No gap. "
    assert hrefs(beside.children) == ["/measured?site=Marram"]
