"""The address of a page: what is chosen comes back from it, and what cannot be used is told."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given, strategies as st

from passim_apps.dashboard.address import Choices, changed, query_of, read_query

WORDS = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=20)
CHOICES = st.builds(
    Choices,
    site=st.none() | WORDS,
    spot=st.none() | WORDS,
    day=st.none() | st.dates(date(1958, 1, 1), date(2199, 12, 31)),
    mask_deg=st.none() | st.integers(0, 89).map(float),
    fleet=st.none() | WORDS,
    more=st.dictionaries(st.sampled_from(["days", "kind", "minutes"]), WORDS).map(lambda d: tuple(sorted(d.items()))),
)


@given(CHOICES)
def test_what_is_chosen_comes_back_from_the_address(choices: Choices) -> None:
    query = query_of(choices)
    assert query == "" or query.startswith("?")
    assert read_query(query) == (choices, ())


@given(st.text(max_size=300))
def test_no_address_breaks_the_page(query: str) -> None:
    choices, _ = read_query(query)
    again, faults = read_query(query_of(choices))
    assert (again, faults) == (choices, ())


@pytest.mark.parametrize("query", [None, "", "?"])
def test_an_empty_address_chooses_nothing(query: str | None) -> None:
    assert read_query(query) == (Choices(), ())


def test_an_address_reads_as_it_is_written_in_the_docstring() -> None:
    choices, faults = read_query("?site=Marram&spot=yard&day=2026-11-25&mask=30&fleet=Plover&days=7")
    assert faults == ()
    assert choices == Choices("Marram", "yard", date(2026, 11, 25), 30.0, "Plover", (("days", "7"),))
    assert choices.other("days") == "7"
    assert choices.other("kind", "lesson") == "lesson"


def test_what_cannot_be_used_is_left_out_and_told(subtests: pytest.Subtests) -> None:
    for query, told in [
        ("?day=2026-02-30", "day; got '2026-02-30'; wanted a date such as 2026-11-25"),
        ("?day=1066-10-14", "wanted a date"),
        ("?mask=95", "mask; got '95'; wanted degrees from 0 to below 90"),
        ("?mask=nan", "mask; got 'nan'"),
        ("?mask=steep", "mask; got 'steep'"),
        ("?Site=x", "part of the address"),
        ("?site=" + "x" * 201, "a short key and value"),
        ("?" + "x" * 2001, "address; got '2001 characters'"),
        ("?" + "&".join(f"k{k}=1" for k in range(31)), "too many parts"),
    ]:
        with subtests.test(query=query, told=told):
            choices, faults = read_query(query)
            assert choices == Choices()
            [fault] = faults
            assert told in fault
            assert fault.endswith("the page goes on without it.")


def test_a_control_changes_its_part_alone() -> None:
    before, _ = read_query("?site=Marram&mask=30&days=3")
    assert query_of(changed(before, {"mask": None})) == "?site=Marram&days=3"
    assert query_of(changed(before, {"days": "14"})) == "?site=Marram&mask=30&days=14"
    assert changed(before, {"place": "Skerry/roof"}) == Choices("Skerry", "roof", None, 30.0, None, (("days", "3"),))
    assert changed(before, {"place": None}).site is None
