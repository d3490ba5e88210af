"""Durations, shares, counts and local times in words. House style; no outside truth is needed for the forms."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

import passim
import passim_apps
from passim import Fleet
from passim.errors import SiteError
from passim.forecast.timing import age_words
from passim.spans import Span
from passim_apps.text.units import LocalClock, age, counted, duration, instant, listed, printable, share


def test_a_duration_reads_as_people_say_it(subtests: pytest.Subtests) -> None:
    for seconds, words in [
        (0.0, "0 s"),
        (0.02, "under 0.1 s"),
        (1.84, "1.8 s"),
        (9.96, "10 s"),
        (19.4, "19 s"),
        (59.6, "1 min"),
        (72.0, "1 min 12 s"),
        (110.2, "1 min 50 s"),
        (3599.7, "1 h"),
        (11_100.0, "3 h 5 min"),
        (86_400.0, "24 h"),
        (172_799.0, "2 d"),
        (187_200.0, "2 d 4 h"),
    ]:
        with subtests.test(seconds=seconds, words=words):
            assert duration(seconds) == words


def test_a_share_is_never_rounded_to_all_or_nothing(subtests: pytest.Subtests) -> None:
    for fraction, words in [
        (0.0, "0 %"),
        (1.0, "100 %"),
        (0.933, "93.3 %"),
        (0.025, "2.5 %"),
        (0.99999, "over 99.9 %"),
        (1e-5, "under 0.1 %"),
        # At the very edge: what would round to all or to nothing.
        (0.9996, "over 99.9 %"),
        (0.9995, "over 99.9 %"),
        (0.9994, "99.9 %"),
        (0.0005, "0.1 %"),
        (0.0004, "under 0.1 %"),
    ]:
        with subtests.test(fraction=fraction, words=words):
            assert share(fraction) == words


def test_counts_lists_and_ages() -> None:
    assert [counted(n, "gap") for n in (0, 1, 69)] == ["no gap", "1 gap", "69 gaps"]
    assert counted(47_000, "pass", "passes") == "47,000 passes"
    assert listed(["a", "b"]) == "a, b"
    assert listed(["a", "b", "c", "d", "e"]) == "a, b, c and 2 more"
    assert age(timedelta(hours=17)) == "17 h old"
    assert age(-timedelta(hours=3)) == "3 h ahead"


def test_ages_of_years_are_written_out() -> None:
    assert [age_words(days * 86_400.0) for days in (9.58, 24.42, 670.2, 2520.0)] == [
        "9.6 days", "24.4 days", "670 days", "2,520 days"
    ]  # fmt: skip


def test_an_instant_rounds_to_the_millisecond_and_carries_over_the_year() -> None:
    assert instant(datetime(2026, 12, 31, 23, 59, 59, 999_600, tzinfo=UTC)) == "2027-01-01T00:00:00.000Z"


def test_control_characters_of_a_file_never_reach_the_terminal() -> None:
    assert printable("A\x1b[2JB\n") == "A\\x1b[2JB\\x0a"


def test_a_clock_gives_local_times_and_dates() -> None:
    # The Azores are one hour behind UTC in winter (IANA data base).
    clock = LocalClock("Atlantic/Azores", Span.starting(datetime(2026, 11, 25, tzinfo=UTC), 24))
    moment = datetime(2026, 11, 25, 9, 42, 9, 600_000, tzinfo=UTC)
    assert clock.time(moment) == "08:42:10"
    assert clock.day(moment) == "Wed 25 Nov"
    assert clock.when(moment) == "08:42:10 on Wed 25 Nov"
    assert clock.description == "Atlantic/Azores, UTC-01:00"


def test_days_and_stretches_of_a_span_by_the_local_clock() -> None:
    # The Azores are one hour behind UTC in winter (IANA data base); 1 March 2026 is a Sunday.
    def told(start: datetime, hours: float) -> tuple[str, str]:
        span = Span.starting(start, hours)
        clock = LocalClock("Atlantic/Azores", span)
        return clock.days(span), clock.stretch(span)

    assert told(datetime(2026, 3, 1, 1, tzinfo=UTC), 24) == ("Sun 1 Mar", "Sun 1 Mar 00:00 to Mon 2 Mar 00:00")
    assert told(datetime(2026, 3, 1, 9, tzinfo=UTC), 72)[0] == "Sun 1 to Wed 4 Mar"
    assert told(datetime(2026, 2, 27, 9, tzinfo=UTC), 72)[0] == "Fri 27 Feb to Mon 2 Mar"
    assert told(datetime(2026, 3, 1, 9, tzinfo=UTC), 2)[1] == "Sun 1 Mar 08:00 to 10:00"


def test_a_span_within_one_local_day_needs_no_date() -> None:
    clock = LocalClock("UTC", Span.starting(datetime(2026, 11, 25, tzinfo=UTC), 6))
    assert clock.when(datetime(2026, 11, 25, 3, tzinfo=UTC)) == "03:00:00"
    assert clock.description == "UTC"


def test_where_clocks_change_the_doubled_hour_stays_readable() -> None:
    # Lisbon goes from UTC+1 to UTC at 01:00 UTC on 25 October 2026 (last Sunday of October, EU directive 2000/84/EC).
    clock = LocalClock("Europe/Lisbon", Span.starting(datetime(2026, 10, 25, tzinfo=UTC), 6))
    before, after = datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert (clock.time(before), clock.time(after)) == ("01:30:00+01:00", "01:30:00+00:00")
    assert clock.description == "Europe/Lisbon, UTC+01:00, later UTC+00:00"


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(SiteError, match="time zone; got 'Atlantis/Nowhere'"):
        LocalClock("Atlantis/Nowhere", Span.starting(datetime(2026, 11, 25, tzinfo=UTC), 6))


@pytest.mark.parametrize(
    ("zone", "start", "hours"),
    [
        ("Atlantic/Azores", datetime(2026, 11, 25, 1, tzinfo=UTC), 24.0),
        ("Atlantic/Azores", datetime(2026, 11, 25, 1, tzinfo=UTC), 72.0),
        ("Asia/Kathmandu", datetime(2026, 11, 25, tzinfo=UTC), 50.0),
        ("Europe/Lisbon", datetime(2026, 10, 24, tzinfo=UTC), 72.0),  # the clocks change inside it
    ],
)
def test_many_times_read_as_each_alone(zone: str, start: datetime, hours: float) -> None:
    span = Span.starting(start, hours)
    clock = LocalClock(zone, span)
    moments_us = np.arange(span.start_us, span.end_us, 977_123_457)
    each = [
        datetime.fromtimestamp(us // 1_000_000, UTC).replace(microsecond=us % 1_000_000) for us in moments_us.tolist()
    ]
    assert clock.times(moments_us) == [clock.time(moment) for moment in each]
    assert clock.whens(moments_us) == [clock.when(moment) for moment in each]


# Sentences that read like a translation, each with what stands in its place now.
CLUMSY = (
    "Lifted alone, each limit", "Gives back", "trust counts, not times", "Longest, 9 of 10", "Ends the call",
    "not your roof line", "would freeze like this", "What counts as now", "Hand in a", "No direction counts as",
    "Working it out", "is taken to be there", "In force: the record", "Against first", "Lift first",
    "a little patience", "drawn futures and told of",
)  # fmt: skip


TAKES_APART = {
    "replace", "split", "rsplit", "splitlines", "partition", "rpartition", "startswith", "endswith", "removeprefix",
    "removesuffix",
}  # fmt: skip
# What may be taken apart: what somebody typed, names of files, lines of an answer, and signs that a format reserves.
OF_INPUT = {
    ("text/units.py", "line.replace('\\xa0', ' ')"),
    ("text/answer.py", "self.sentence.splitlines()"),
    ("text/answer.py", "name.endswith('_local')"),
    ("report/page.py", "sentence.splitlines()"),
    ("report/page.py", "get_plotlyjs().replace('</script', '<\\\\/script')"),
    ("commands/calls.py", "pattern.replace('{site}', re.sub('[^\\\\w-]+', '-', name).strip('-'))"),
    ("commands/design.py", "out.lower().removesuffix('.gz').endswith('.tle')"),
    ("commands/design.py", "out.lower().removesuffix('.gz')"),
    ("commands/journal.py", "(text or '').split(',')"),
    ("commands/journal.py", "part.partition('=')"),
    ("commands/sites.py", "text.split(':')"),
    ("commands/sites.py", "Path(path).name.partition('.')"),
    ("commands/survey.py", "text.split(',')"),
    ("text/mounting.py", "_called(obstacle).removeprefix('the ')"),
    ("text/mounting.py", "_called(obstacle).removeprefix('the ').removeprefix('The ')"),
    ("commands/survey.py", "text.partition('=')"),
    ("commands/survey.py", "out.lower().rpartition('.')"),
    ("commands/survey.py", "part.split(':')"),
    ("commands/workspace.py", "name.replace('_', '-')"),
    ("dashboard/pages/calls/uploads.py", "choices.other(place).split('.')"),
    ("dashboard/pages/growth.py", "str(text).split()"),
    ("dashboard/pages/measured/adding.py", "text.replace(',', '.')"),
    ("dashboard/pages/setup/form.py", "text.removeprefix('new-').partition(':')"),
    ("dashboard/pages/setup/form.py", "text.removeprefix('new-')"),
    ("dashboard/pages/setup/form.py", "text.startswith('new-')"),
    ("dashboard/pages/setup/form.py", "words.split('/')"),
    ("dashboard/pages/setup/form.py", "text.split(',')"),
    ("dashboard/pages/setup/form.py", "text.replace(',', '.')"),
    ("dashboard/pages/setup/form.py", "key.startswith(_CONE)"),
    ("dashboard/pages/setup/form.py", "key.removeprefix(_CONE)"),
    ("dashboard/pages/setup/form.py", "key.startswith(_FEED)"),
    ("dashboard/pages/setup/form.py", "key.removeprefix(_FEED)"),
    ("dashboard/pages/sites/added.py", "number.replace('−', '-')"),
    ("dashboard/pages/sky/draft.py", "text.strip().replace(',', '.')"),
    ("dashboard/pages/sky/record.py", "name.replace('\\\\', '/')"),
    ("dashboard/pages/sky/symptom.py", "(text or '').split(',')"),
    ("dashboard/pages/sky/symptom.py", "text.replace(',', '.')"),
}


def test_no_face_takes_apart_a_sentence_that_passim_made() -> None:
    apps = Path(passim_apps.__file__).parent
    found = set()
    for room in ("text", "report", "commands", "dashboard/pages"):
        for path in sorted((apps / room).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                # dataclasses.replace and the replace of times take fields by name, not text.
                if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                    continue
                of_module = isinstance(node.func.value, ast.Name) and node.func.value.id in ("dataclasses", "np", "re")
                of_text = not node.keywords and not of_module
                if node.func.attr in TAKES_APART and of_text:
                    found.add((path.relative_to(apps).as_posix(), ast.unparse(node)))
    assert found - OF_INPUT == set()
    assert OF_INPUT - found == set(), "allowed, and no longer there"


def test_no_face_falls_back_into_clumsy_words() -> None:
    apps = Path(passim_apps.__file__).parent
    for path in sorted((*apps.rglob("*.py"), *apps.rglob("*.js"))):
        text = path.read_text(encoding="utf-8")
        assert not [words for words in CLUMSY if words in text], path


def test_a_fleet_is_never_called_the_fleet_fleet() -> None:
    names = ("Plover (invented)", "fleet", "Fleet", "")
    assert [Fleet((), name).words for name in names] == ["the fleet Plover (invented)", *["the fleet"] * 3]


# Texts of passim/ that people may read all the same: parts of errors, which are worded by what they name, got and
# wanted, and remarks in files that passim writes.
_ERRORS_AND_FILES = {
    "answers/calls/recurrence.py", "elements/feeds/http.py", "elements/feeds/update.py", "elements/files.py",
    "elements/identifiers.py", "elements/omm.py", "elements/omm_text.py", "elements/omm_xml.py", "elements/patterns.py",
    "elements/read_log.py", "elements/records.py", "elements/two_line.py", "errors.py", "forecast/verification.py",
    "line/files/__init__.py", "orbits/propagation.py", "parallel/executors.py", "parallel/worker_limits.py",
    "parallel/worker.py", "sky/survey.py", "workspace/checking.py", "workspace/creating.py", "workspace/folder.py",
    "workspace/plans.py", "workspace/saving.py",
}  # fmt: skip
_RAISES = re.compile(
    r"(Error|Warning|Refused|Unreachable|UnreadLine|RuleFault|CsvKind)$"
    r"|^(warn|aware|sourced|check_damage|check_name|refuse_stale|_check_range|_check_number|\w*refused?|_fail)$"
)
_FIELDS = {"got", "wanted", "try_next", "instead", "what", "where", "remark", "source", "sources", "delay_source"}
_OF_ERRORS = re.compile(r"_?(wanted|got|what|where|why|try_next|way_out|instead|out|example)", re.IGNORECASE)
_SOURCES = re.compile(r"_(consent|no_buffer|practice|g\d+)", re.IGNORECASE)
_A_WORD = re.compile(r"(?<![\w{%<\\(?])[A-Za-z][a-z']+(?![\w}(=])")


def _texts_for_people(node: ast.AST, known: bool = False) -> Iterator[str]:
    """Yield the texts below a node that read like sentences: those of errors, `repr`s and docstrings are none."""
    for child in ast.iter_child_nodes(node):
        inside = known or isinstance(child, ast.Raise)
        if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
            continue
        if isinstance(child, ast.FunctionDef):
            inside = child.name in ("__repr__", "_repr_html_")
        elif isinstance(child, ast.keyword):
            inside = inside or child.arg in _FIELDS
        elif isinstance(child, ast.Call):
            called = child.func.attr if isinstance(child.func, ast.Attribute) else getattr(child.func, "id", "")
            inside = inside or bool(_RAISES.search(called))
        elif isinstance(child, (ast.Assign, ast.AnnAssign)):
            names = [
                each.id for each in ast.walk(child) if isinstance(each, ast.Name) and isinstance(each.ctx, ast.Store)
            ]
            inside = inside or any(_OF_ERRORS.fullmatch(name) or _SOURCES.fullmatch(name) for name in names)
        if isinstance(child, ast.JoinedStr) or (isinstance(child, ast.Constant) and isinstance(child.value, str)):
            parts = child.values if isinstance(child, ast.JoinedStr) else [child]
            text = "".join(str(part.value) if isinstance(part, ast.Constant) else "@" for part in parts)
            words = len(_A_WORD.findall(text))
            asked = text.lstrip().startswith(("SELECT", "INSERT", "DELETE", "CREATE")) or re.search(r"[\\^|]", text)
            if not inside and not asked and words >= (3 if isinstance(child, ast.JoinedStr) else 5):
                yield text
        if not isinstance(child, ast.Constant):
            yield from _texts_for_people(child, inside)


def test_passim_computes_and_makes_no_sentences() -> None:
    """A sentence is worded in apps/text: passim gives codes and fields, whatever it is about."""
    room = Path(passim.__file__).parent
    made = {
        f"{path.relative_to(room)}: {text}"
        for path in sorted(room.rglob("*.py"))
        if path.relative_to(room).as_posix() not in _ERRORS_AND_FILES
        for text in _texts_for_people(ast.parse(path.read_text(encoding="utf-8")))
    }
    assert made == set()


def test_the_check_for_sentences_can_tell(subtests: pytest.Subtests) -> None:
    for line, found in [
        ("def f(n):\n    return f'{n} points were raised to the base there'", True),
        ("WORDS = 'it comes after the days asked about'", True),
        ("def describe(self):\n    return f'freezes every {self.every}, {self.length} long at most'", True),
        ("def f(n):\n    raise SiteError('site', got=n, wanted='a name that the workspace has')", False),
        ("class A:\n    def __repr__(self):\n        return f'<A of {self.n} satellites at one site>'", False),
        ("def f():\n    '''Return what it is, in one sentence.'''", False),
        ("STATUS = 'at shell'", False),
    ]:
        with subtests.test(line=line):
            assert bool(list(_texts_for_people(ast.parse(line)))) is found
