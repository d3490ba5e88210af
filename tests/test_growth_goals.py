"""Goals: what an expression means, from which number on it stays met, and expressions that are none."""

from __future__ import annotations

import numpy as np
import pytest

from passim import InputError
from passim.answers.growth.curves import Curves
from passim.answers.growth.goals import Smallest, first_that_stays, parse_goal, smallest
from passim.answers.growth.orders import Order
from passim_apps.text.goals import _measured, goal_words, measured_words
from passim_apps.text.growth import goal_sentence, sure_sentence


def curves(gap_count: list[list[float]], longest_s: list[list[float]], hours: float = 1.0) -> Curves:
    longest = np.array(longest_s, dtype=float)
    ranks = np.broadcast_to(np.arange(longest.shape[1], dtype=np.int32), longest.shape)
    count = np.array(gap_count, dtype=float)
    values = {
        "gap_fraction": longest * count / (3600.0 * hours),
        "gap_count": count,
        "mean_gap_s": longest / 2.0,
        "longest_gap_s": longest,
        "pause_count": np.minimum(count, 1.0),
        "twofold_fraction": 1.0 - np.minimum(count, 4.0) / 4.0,
    }
    return Curves(Order("test", ranks), 3600.0 * hours, values)


SINGLE = curves([[4, 5, 2, 3, 1, 0]], [[90, 40, 30, 12, 5, 0]], hours=2.0)


def test_what_a_goal_takes(subtests: pytest.Subtests) -> None:
    for text, satellites in [
        ("longest_gap_s <= 5", 5),
        ("longest_gap_s<5", 6),
        ("longest_gap_s <= 0.5 min", 3),
        ("longest_gap_s <= 5 s", 5),
        ("gap_count <= 2", 5),  # met by three satellites, not by four: it stays met from five on
        ("gap_count <= 10", 1),
        ("gaps_per_hour <= 1.5", 3),
        ("pauses_per_hour <= 0.4", 6),
        ("mean_gap_s < 10", 4),
        ("twofold >= 100 %", 6),
        ("twofold >= 0.5", 5),
        ("mean_gap_s <= 1 min", 1),
        ("covered >= 99.5 %", 4),
        ("covered >= 0.995", 4),
        ("gap_fraction <= 0.5%", 4),
        ("longest_gap_s <= 40 and gap_count <= 3", 3),
        ("longest_gap_s <= 40 AND gap_count <= 3  in Call Hours", 3),
    ]:
        with subtests.test(text=text, satellites=satellites):
            found = smallest(SINGLE, parse_goal(text))
            assert found.reached
            assert (found.middle, found.low, found.high) == (satellites,) * 3


@pytest.mark.parametrize(
    ("amount", "bound", "words"),
    [
        (0.99000, 0.991, "99.0 %"),
        (0.99100, 0.991, "99.1 %"),
        # 0.0497 of a per cent short of 99.1 % is 99.1 to a tenth, which would look met; 0.05 short is not.
        (0.990503, 0.991, "99.05 %"),
        (0.990490, 0.991, "99.0 %"),
        (0.9909996, 0.991, "99.09996 %"),
        (0.99099999999, 0.991, "99.100000 %"),
    ],
)
def test_a_share_that_just_misses_a_goal_is_never_told_as_meeting_it(amount: float, bound: float, words: str) -> None:
    assert _measured("covered", amount, [bound]) == words


def test_a_goal_that_all_satellites_miss() -> None:
    goal = parse_goal("longest_gap_s > 3")
    found = smallest(SINGLE, goal)
    assert not found.reached
    assert measured_words(goal, SINGLE.values, SINGLE.counted_s) == "longest gap 0 s"


@pytest.mark.parametrize(
    ("out", "goal", "words"),
    [
        (0.010913, "covered >= 99.5 %", "covered 98.9 %"),
        (0.001013, "covered >= 99.9 %", "covered 99.899 %"),  # 99.9 % would say that the goal is met
        (0.001, "covered >= 99.9 %", "covered 99.9 %"),
    ],
)
def test_a_share_is_told_to_a_tenth_unless_that_would_be_the_goal(out: float, goal: str, words: str) -> None:
    values = {**SINGLE.values, "gap_fraction": np.full((1, 6), out)}
    assert measured_words(parse_goal(goal), values, SINGLE.counted_s) == words


def test_the_band_over_draws() -> None:
    longest = [[9.0] * k + [1.0] * (11 - k) for k in range(11)]
    found = smallest(curves([[1] * 11] * 11, longest), parse_goal("longest_gap_s <= 1"))
    assert found.by_draw.tolist() == list(range(1, 12))
    assert (found.low, found.middle, found.high) == (2, 6, 10)


def test_how_far_the_number_may_be_off_is_told_by_the_other_orders_and_held_against_what_is_to_spare() -> None:
    goal, names = parse_goal("gap_count <= 0"), ("as launched", "plane by plane", "at random")

    def told(first: int, plane: int, *drawn: int) -> str:
        return sure_sentence(names, [Smallest(goal, 360, np.array(each)) for each in ([first], [plane], drawn)])

    assert told(333, 340, 334, 345, 355) == (
        "Which satellites they are matters: it takes 340 plane by plane and 334 to 355 in eight draws of ten at "
        "random. So take the number as good to about 22; today you have more than that to spare."
    )
    assert told(356, 340, 350, 355, 358).endswith(
        "So take the number as good to about 16; today you have no more than that to spare, so do not count on it."
    )
    assert told(340, 340, 340, 340) == "It takes as many in every order: 340 plane by plane and 340 at random."
    assert told(360, 360, 360) == (
        "In every order it takes all of today's 360: there is none to lose, so do not count on it."
    )
    assert sure_sentence(names[:1], [Smallest(goal, 360, np.array([333]))]) == ""
    assert sure_sentence(names, [Smallest(goal, 360, np.zeros(0, dtype=np.int64))] * 3) == ""

    def headline(first: int, *others: int) -> str:
        found = [Smallest(goal, 360, np.array([each])) for each in (first, *others)]
        return goal_sentence(Order("launch", np.zeros((1, 360), dtype=np.int64)), found[0], "no gap", found[1:])

    # What the other orders tell apart is not to spare.
    assert headline(356, 348, 360).endswith("today you have 360, which is just enough and no more.")
    assert headline(333, 340, 350).endswith("today you have 360, 27 to spare.")
    assert headline(356).endswith("today you have 360, 4 to spare.")


def test_it_stays_met_from_there_on() -> None:
    met = np.array([[0, 1, 0, 1, 1], [1, 1, 1, 1, 1], [1, 1, 1, 1, 0]], dtype=bool)
    assert first_that_stays(met).tolist() == [3, 0, 5]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("longest_gap_s <= 5", "no gap over 5 s"),
        ("longest_gap_s <= 5 in call hours", "no gap over 5 s in call hours"),
        ("longest_gap_s < 30", "no gap of 30 s or more"),
        ("covered >= 99.9%", "at least 99.9 % covered"),
        ("gap_count <= 0", "no gap"),
        ("gap_count <= 10 and mean_gap_s < 12", "at most 10 gaps and a mean gap of under 12 s"),
        ("pauses_per_hour <= 2", "at most 2 pauses (gaps over 5 s) an hour"),
        ("twofold >= 100 %", "always two satellites in view"),
        ("twofold >= 99 %", "two satellites in view at least 99 % of the time"),
    ],
)
def test_a_goal_in_words(text: str, words: str) -> None:
    assert goal_words(parse_goal(text)) == words


def test_a_percentage_is_the_share_it_says() -> None:
    (condition,) = parse_goal("covered >= 99.9 %").conditions
    assert condition.bound == 0.999
    assert parse_goal("pauses_per_hour <= 2 in call hours").needs_pauses
    assert not parse_goal("gaps_per_hour <= 2").needs_pauses


def test_what_is_no_goal_gets_one_line(subtests: pytest.Subtests) -> None:
    for text, message in [
        ("", "goal; got ''; wanted a quantity, a comparison and a number"),
        ("in call hours", "goal; got 'in call hours'; wanted a quantity"),
        ("longest_gap_s", "goal; got 'longest_gap_s'; wanted a quantity, a comparison and a number; try longest_gap_s"),
        ("longest_gap_s <= five", "number of the goal for longest_gap_s; got 'five'; wanted a number of 0 or more"),
        ("longest_gap_s <= nan", "number of the goal for longest_gap_s; got 'nan'"),
        ("gap_count <= inf", "number of the goal for gap_count; got 'inf'"),
        ("gap_count <= -1", "number of the goal for gap_count; got '-1'"),
        ("longest_gap <= 5", "quantity of the goal; got 'longest_gap'; wanted one of covered, "),
        ("gap_count = 5", "comparison of the goal; got '='; wanted <=, <, >= or >"),
        ("gap_count <= 5 s", "unit of the goal for gap_count; got 's'; wanted no unit"),
        ("longest_gap_s <= 5 h", "unit of the goal for longest_gap_s; got 'h'; wanted no unit or s or min"),
        ("covered >= 99.9", "number of the goal for covered; got '99.9'; wanted a share from 0 to 1; try 99.9 %"),
        ("covered >= 130 %", "number of the goal for covered; got '130 %'; wanted 0 to 100 %; try 99 %"),
        ("covered >= 130", "number of the goal for covered; got '130'; wanted a share from 0 to 1; try 99 %"),
        ("gap_count <= 5 and", "goal; got 'gap_count <= 5 and'"),
        ("gap_count <= 5 or covered >= 1", "goal; got 'gap_count <= 5 or covered >= 1'"),
    ]:
        with subtests.test(text=text, message=message):
            with pytest.raises(InputError) as error:
                parse_goal(text)
            assert str(error.value).startswith(message)
            assert len(str(error.value).splitlines()) == 1
