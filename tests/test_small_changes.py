"""The trial of small changes (tests/small_changes.py), tried on a toy: what it changes, whom it asks, what it says."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

import small_changes
from small_changes import Change, RecordedTest, changed, changes_of, functions_of, selection, tests_of as files_of_tests

TOY = '''"""A toy."""
LEAST_DEG = 25.0


def clears(elevation_deg: float) -> bool:
    return elevation_deg >= LEAST_DEG


def counted_down(count: int) -> int:
    while count > 0:
        count = count - 1
    return count


def never_asked(count: int) -> int:
    return -count
'''
TESTS_OF_TOY = """from passim.toy import clears, counted_down

def test_clears():
    assert clears(30.0) and not clears(25.0 - 1e-9)

def test_counted_down():
    assert counted_down(3) == 0
"""


def test_each_kind_of_change_is_made_in_its_place() -> None:
    source = "def f(a: 'x[1]', b):\n    if a < b and not a:\n        return a['key'] + 2\n"
    texts = [changed(source, old, new) for old, new in changes_of(source)]
    # Apart from the brackets that keep a change in its place:
    made = {line.strip().replace("(", "").replace(")", "") for text in texts for line in text.split("\n")[1:]}
    want = {
        "if a <= b and not a:", "if a < b or not a:", "if a < b and a:", "if not a < b and not a:",
        "return a['key'] - 2", "return a['key'] + 3", "return a['keyx'] + 2", "return None",
    }  # fmt: skip
    assert made >= want
    assert len(texts) == len(want)
    for text in texts:
        ast.parse(text)


@pytest.mark.parametrize(
    "source",
    [
        "@dataclass(frozen=True, slots=True)\nclass A:\n    b: int",
        "@lru_cache(maxsize=4)\ndef f(): pass",
        "_CHUNK = 4096",
        "def f():\n    return None",
        "def f(tell):\n    tell(0.25)",
        "assert 1 < 2",
        "x = f'{a + 1}'",
        'def f():\n    """At least 25, never < 1."""',
    ],
)
def test_what_alters_speed_or_words_alone_is_left(source: str) -> None:
    assert list(changes_of(source)) == []


def test_a_change_belongs_to_the_function_around_it_or_to_those_that_name_the_constant() -> None:
    source = TOY + "\nclass A:\n    size = 1\n    def m(self):\n        return [k + 7 for k in self.n]\n"
    belongs = {ast.unparse(old): functions_of(source, old) for old, _ in changes_of(source)}
    assert belongs["25.0"] == {"clears"}
    assert belongs["count > 0"] == {"counted_down"}
    assert belongs["k + 7"] == {"A.m"}
    assert next(functions_of(source, old) for old, _ in changes_of(source) if old.lineno == 19) == {"A.m", "A.__init__"}


def test_a_change_is_met_by_the_cheapest_tests_that_call_its_function() -> None:
    change = next(
        Change(Path("passim/toy.py"), TOY, old, new) for old, new in changes_of(TOY) if ast.unparse(old) == "count > 0"
    )
    calls = frozenset({"passim/toy.py:counted_down"})
    recorded = [
        RecordedTest("tests/test_toy.py::dear", 3.0, calls),
        RecordedTest("tests/test_toy.py::cheap", 1.0, calls),
        RecordedTest("tests/test_toy.py::other", 0.1, frozenset()),
        RecordedTest("tests/test_elsewhere.py::far", 0.1, calls),
    ]
    assert selection(change, recorded, ["tests/test_toy.py"], 2.0) == [
        "tests/test_toy.py::cheap",
        "tests/test_toy.py::other",
    ]


def test_before_a_change_counts_as_not_noticed_all_files_are_asked_for_what_calls_its_function() -> None:
    """A budget of 2 s: the likeliest two files have it first; those after them 1 s a lot, and what is left is last."""
    change = next(
        Change(Path("passim/toy.py"), TOY, old, new) for old, new in changes_of(TOY) if ast.unparse(old) == "count > 0"
    )
    calls = frozenset({"passim/toy.py:counted_down"})
    files = [f"tests/test_{k}.py" for k in range(8)]
    found = {
        files[0]: [RecordedTest("a", 1.5, calls), RecordedTest("b", 0.1, frozenset()), RecordedTest("c", 1.8, calls)],
        files[6]: [RecordedTest("d", 0.5, calls), RecordedTest("e", 0.1, frozenset())],
        files[7]: [RecordedTest("f", 0.7, calls)],
    }
    named = {
        file: [RecordedTest(f"{file}::{test.name}", test.cost_s, test.calls) for test in found.get(file, [])]
        for file in files
    }
    asked = list[str]()

    def tests(file: str) -> list[RecordedTest]:
        asked.append(file)
        return named[file]

    lots = small_changes.trials(change, files, tests, 2.0)
    assert [test.name[-1] for test in next(lots)] == ["a", "b"]
    assert asked == files[:2]  # the others are recorded only if these have not noticed
    assert [[test.name[-1] for test in lot] for lot in lots] == [["d"], ["c", "f"]]


def test_the_files_of_tests_of_a_file() -> None:
    """Called like it first, then the nearest by imports, faces late and no browser; the table is no dream."""
    mine = files_of_tests(small_changes.ROOT, Path("passim/intervals.py"))
    assert mine[0] == "tests/test_intervals.py"
    assert (
        files_of_tests(small_changes.ROOT, Path("apps/dashboard/security.py"))[0] == "tests/test_dashboard_security.py"
    )
    assert not [file for file in mine if "browser" in file]
    # Drawn futures of serving and symptom use it, whose tests do not import it.
    heights = files_of_tests(small_changes.ROOT, Path("passim/sky/side_by_side.py"))
    assert {"tests/test_odds_events.py", "tests/test_symptom.py"} < set(heights[:6])
    assert not [file for file in mine[:20] if "command" in file]
    for path, names in small_changes.TESTS_BESIDE.items():
        assert (small_changes.ROOT / path).is_file()
        assert all((small_changes.ROOT / "tests" / f"{name}.py").is_file() for name in names)


def test_a_trial_of_a_toy(tmp_path: Path) -> None:
    """The tests never try 25 degrees itself, so >= may become >; the one that no longer ends has noticed.

    Of the eleven changes that leaves four: that one, 26 for 25, and both to the function that no test calls.
    """
    for name, text in (("passim/__init__.py", ""), ("passim/toy.py", TOY), ("tests/test_toy.py", TESTS_OF_TOY)):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    program = (
        "import sys, pathlib, small_changes as trial; trial._LIBRARIES, trial._MARGIN_S = (), 2.0; "
        "sys.exit(trial.main(['--record', sys.argv[2], *sys.argv[3:]], pathlib.Path(sys.argv[1])))"
    )

    def run(*arguments: str) -> tuple[int, str]:
        command = [sys.executable, "-c", program, str(tmp_path), str(tmp_path / "record.json"), *arguments]
        quick = dict(os.environ, PYTEST_DISABLE_PLUGIN_AUTOLOAD="1")
        ran = subprocess.run(command, cwd=Path(__file__).parent, env=quick, capture_output=True, text=True, check=False)
        return ran.returncode, ran.stdout + ran.stderr

    status, told = run("--count", "99")
    assert status == 1, told
    assert "tests/test_toy.py: 2 tests" in told
    assert told.count("NOT NOTICED") == 4, told
    assert "+    return (elevation_deg > LEAST_DEG)" in told
    assert "+LEAST_DEG = (26.0)" in told
    assert "+    return (count)" in told
    assert "7 of 11 noticed, seed 1" in told
    # One of them again, without the record being made anew.
    number = next(line.split()[0] for line in told.split("\n") if "NOT NOTICED by 2 tests: passim/toy.py:6" in line)
    status, told = run("--count", "99", "--only", number)
    assert (status, "0 of 1 noticed" in told, "2 tests, " in told) == (1, True, False), told
    status, told = run("--at", "passim/toy.py:6")
    assert "+    return (elevation_deg > LEAST_DEG)" in told
    assert "1 of 2 noticed" in told, told
    # A test that fails unchanged is no witness.
    (tmp_path / "tests/test_toy.py").write_text(TESTS_OF_TOY + "\ndef test_odd():\n    assert clears(1.0)\n", "utf-8")
    status, told = run("--count", "99", "--only", number)
    assert status == 1
    assert "fail unchanged, and were left out: tests/test_toy.py::test_odd" in told
