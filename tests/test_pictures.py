"""The pictures of the README: there, small, and without a word to any other host; and how they are made small."""

from __future__ import annotations

import random
import re

import pytest

from make_pictures import FOLDER, LARGEST_BYTES, PICTURES, by_steps, level_joined, slimmed, upright, with_shared_styles


def test_every_picture_that_is_made_is_there_and_no_other() -> None:
    assert sorted(path.name for path in FOLDER.iterdir()) == sorted(f"{name}.svg" for name in PICTURES)


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_small_and_refers_to_nothing(name: str) -> None:
    path = FOLDER / f"{name}.svg"
    svg = path.read_text(encoding="utf-8")
    assert path.stat().st_size < LARGEST_BYTES
    assert svg.startswith("<svg")
    assert svg.endswith("</svg>")
    assert "http" not in svg.replace("http://www.w3.org/", "")
    assert "<script" not in svg


def test_level_strokes_of_a_stair_are_joined() -> None:
    assert level_joined("M0,5H1V5H2V5H3V7H4V5Z") == "M0,5H3V7H4V5Z"
    assert level_joined("M0,5L1,6V6H2V6H3") == "M0,5L1,6H3"


def test_upright_and_level_strokes_are_written_as_such() -> None:
    assert upright("M1,5L1,3L2,3L2,5ZM3,5L4,6L4,7") == "M1,5V3H2V5ZM3,5L4,6V7"
    assert upright("M1,5H2L2,6V7L3,7") == "M1,5H2V6V7H3"


def test_a_stroke_is_a_step_where_that_is_shorter() -> None:
    # By hand: 570.3 - 1.6 = 568.7; a contour closed leads back to where it began.
    assert by_steps("M570.3,193.8L568.7,187L568.7,186.5") == "M570.3,193.8l-1.6-6.8l0-.5"
    assert by_steps("M10,5H10.5V104.9H3ZL11,6") == "M10,5h.5v99.9H3Zl1,1"
    # SVG 1.1, section 8.3: small letters count from where the last stroke ended. The way back gives the same places.
    rng = random.Random(11)
    points = [(rng.randrange(9999) / 10, rng.randrange(9999) / 10) for _ in range(300)]
    path = "M" + "L".join(f"{x:g},{y:g}" for x, y in points)
    x, y, met = 0.0, 0.0, []
    for kind, numbers in re.findall(r"([MLl])([^MLl]*)", by_steps(path)):
        a, b = (float(each) for each in re.findall(r"-?[0-9]*\.?[0-9]+", numbers))
        x, y = (x + a, y + b) if kind == "l" else (a, b)
        met.append((round(x, 1), round(y, 1)))
    assert met == points


def test_styles_that_many_share_stand_once_as_a_class() -> None:
    line = '<path class="js-line" d="M0,0" style="stroke: red;"/>'
    made = with_shared_styles(f'<svg width="1">{line * 6}<g class="x" style="fill: blue;"/></svg>')
    assert made.count("stroke: red;") == 1
    assert made.count('<path class="s0" d="M0,0"/>') == 6
    assert '<g class="x" style="fill: blue;"/>' in made
    assert made.startswith('<svg width="1"><style>.s0{stroke: red;}</style>')


def test_names_and_digits_that_change_from_run_to_run_are_gone() -> None:
    drawn = '<svg a="b"><defs id="defs-{0}"><clipPath id="clip{0}xy"/></defs><g d="M1.23456,2.0"/></svg>'
    one, other = drawn.format("a1b2c3"), drawn.format("ffffff")
    assert slimmed(one) == slimmed(other)
    assert 'd="M1.2,2"' in slimmed(one)
