"""What the tests let through: single small changes to the code, each tried in a copy of the tree, outside CI.

    python -m tests.small_changes --seed 1 --count 20                   of passim/
    python -m tests.small_changes --seed 1 --count 20 passim/coverage passim/spans.py
    python -m tests.small_changes --seed 1 --count 20 --only 7 12       these two of the twenty again
    python -m tests.small_changes --at passim/search.py:80              every change of a line
    python -m tests.small_changes --count 300 --share 1/2 --record F    every second; another process takes 2/2

A comparison is flipped or loses its equality, + becomes -, a constant moves by one, `not` comes or goes, a returned
value becomes None, the text of a key changes. What only alters speed, what is said of progress, and assertions are
left alone.

First the tests are run unchanged, once: what each costs and which functions it calls is recorded (`--record FILE`
keeps that for the next time and for other processes), and one that fails is named and left out. A change is then met
by the tests of its file that call its function, the cheapest first, as far as `--budget` seconds of processor time
go. Where none of them notices, the other files of tests follow, the likeliest first, with what calls the function
there and a dozen times the budget in all; only then a change counts as not noticed, and is shown as a diff. A run that
takes much longer than it did unchanged hangs, and has noticed. The status is 0 where no test fails unchanged and at
least 95 of 100 changes are noticed. Needs os.fork: every run starts from one process that has loaded the libraries.
"""

from __future__ import annotations

import argparse
import ast
import builtins
import contextlib
import difflib
import hashlib
import importlib
import json
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.machinery import SourceFileLoader
from itertools import accumulate, chain, pairwise
from pathlib import Path
from types import CodeType
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[1]
WANTED_SHARE = 0.95
# A test that takes longer is not run; a run may take a few times what its tests took, and this much more.
SLOWEST_TEST_S = 5.0
# Tests of one file beyond this are left out.
_LONGEST_FILE_S = 60.0
# How many files of tests are looked at together, the first and those after; the budgets of all lots after the first,
# and of one of them.
_FIRST_FILES = (2, 3)
_FILES_AT_ONCE = 6
_LATER_BUDGETS = 12.0
_LATER_BUDGET = 0.5
_MARGIN_S = 10.0
_LONGEST_RECORDING_S = 900.0
_COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
# Calls whose arguments are words of progress or of a log, keywords and constants that change speed or a guard alone.
_SAYS = re.compile(r"^_?(tell|echo_err|progress|debug|info|warning|warn|log)$")
_SPARED_KEYWORD = re.compile(r"^(slots|frozen|kw_only|eq|repr|compare|maxsize|copy|strict|stacklevel|daemon)$")
_SPARED_CONSTANT = re.compile(r"CHUNK|BLOCK|BATCH|CACHE|_PER_TASK|AT_ONCE|BYTES")
# Faces of the program are tested through whole commands and pages; what they tell of a room comes late and dear.
_FACES = re.compile(
    r"^test_(command|dashboard|figures|report|same_answer|readme|workers|developers|good_starts|left_behind|boundaries"
    r"|left_out_first|system_faults|dates)"
)
# These call nothing in this process, or nothing but to look at the tree.
_UNASKED = re.compile(r"^test_(browser|packing|project|pictures|documents|small_changes|outside_register)")
# Files whose tests stand elsewhere than their name and the imports say, or in one place alone.
TESTS_BESIDE: dict[str, tuple[str, ...]] = {
    "apps/dashboard/security.py": ("test_dashboard_security",),
    "passim/answers/report.py": ("test_report",),
    "passim/constants.py": ("test_against_orbits_and_patterns", "test_orbits", "test_patterns"),
    "passim/parallel/chunks.py": ("test_workers",),
    "passim/parallel/executors.py": ("test_workers",),
    "passim/parallel/worker.py": ("test_workers", "test_dashboard_jobs"),
    "passim/forecast/timing_errors.py": ("test_odds", "test_odds_events", "test_timing"),
    "passim/sky/handover_policy.py": ("test_serving", "test_handover_losses"),
    "passim/sky/horizon_function.py": ("test_horizon", "test_passes", "test_sector_costs"),
    "passim/spans.py": ("test_spans", "test_daily_hours", "test_call_times"),
    "passim/workspace/checking.py": ("test_workspace", "test_system_faults"),
}
# Loaded once, before every run is forked off.
_LIBRARIES = (
    "numpy", "pandas", "pandas.testing", "scipy.stats", "scipy.optimize", "sgp4.api", "skyfield.api", "hypothesis",
    "hypothesis.strategies", "flask", "defusedxml.ElementTree", "time_machine",
)  # fmt: skip


@dataclass(frozen=True)
class Change:
    """One expression of a file, of the text `source`, and what takes its place."""

    path: Path
    source: str
    old: ast.expr
    new: ast.expr


@dataclass(frozen=True)
class RecordedTest:
    """What a test costs in seconds of processor time, and which functions it calls, each "file:qualified name"."""

    name: str
    cost_s: float
    calls: frozenset[str]


def changes_of(source: str) -> Iterator[tuple[ast.expr, ast.expr]]:
    """Yield every expression of a source that can be changed, with what takes its place. Annotations are left alone."""
    tree = ast.parse(source)
    spared = {id(part) for whole in _spared(tree) for part in ast.walk(whole)}
    for node in ast.walk(tree):
        if id(node) in spared:
            continue
        if isinstance(node, ast.Compare) and type(node.ops[0]) in _COMPARISONS:
            yield node, ast.Compare(node.left, [_COMPARISONS[type(node.ops[0])](), *node.ops[1:]], node.comparators)
        elif isinstance(node, ast.BinOp) and type(node.op) in _ARITHMETIC:
            yield node, ast.BinOp(node.left, _ARITHMETIC[type(node.op)](), node.right)
        elif isinstance(node, ast.BoolOp):
            yield node, ast.BoolOp(ast.And() if isinstance(node.op, ast.Or) else ast.Or(), node.values)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
            yield node, node.operand
        elif isinstance(node, ast.Constant) and type(node.value) is bool:
            yield node, ast.Constant(not node.value)
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield node, ast.Constant(node.value + 1)
        elif isinstance(node, ast.If | ast.While) and id(node.test) not in spared:
            yield node.test, ast.UnaryOp(ast.Not(), node.test)
        elif isinstance(node, ast.Return) and node.value is not None and ast.unparse(node.value) != "None":
            yield node.value, ast.Constant(None)
        elif isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Constant) and type(node.slice.value) is str:
            yield node.slice, ast.Constant(node.slice.value + "x")


def _spared(tree: ast.Module) -> Iterator[ast.AST]:
    """Yield the parts of a source in which a change could not be made, or would mean nothing."""
    for node in ast.walk(tree):
        for name in ("annotation", "returns"):
            if (hint := getattr(node, name, None)) is not None:
                yield hint
        match node:
            # What stands within an f-string cannot be replaced by its place in the file.
            case ast.JoinedStr() | ast.Assert():
                yield node
            case ast.Call(func=ast.Name(id=name) | ast.Attribute(attr=name)) if _SAYS.match(name):
                yield from node.args
            case ast.keyword(arg=str(name)) if _SPARED_KEYWORD.match(name):
                yield node
            case ast.If(test=ast.Name(id="TYPE_CHECKING")):
                yield node.test
            case ast.AnnAssign(target=ast.Name(id=name)) | ast.Assign(targets=[ast.Name(id=name)]):
                if name.isupper() and _SPARED_CONSTANT.search(name):
                    yield node


def functions_of(source: str, place: ast.expr) -> frozenset[str]:
    """Return the qualified names of the functions in which a change at a place of a source would show.

    That is the function around it; outside of all, those that name what is assigned there, or all of its class.
    """
    holder, named, every = "", "", dict[str, ast.AST]()

    def holds(node: ast.AST) -> bool:
        return (node.lineno, node.col_offset) <= (place.lineno, place.col_offset) and (
            (place.end_lineno, place.end_col_offset) <= (node.end_lineno, node.end_col_offset)
        )

    def look(node: ast.AST, prefix: str) -> None:
        nonlocal holder, named
        for child in ast.iter_child_nodes(node):
            inner = prefix
            if isinstance(child, ast.FunctionDef):
                every[prefix + child.name] = child
                inner = f"{prefix}{child.name}.<locals>."
            elif isinstance(child, ast.ClassDef):
                inner = f"{prefix}{child.name}."
            elif isinstance(child, ast.Assign | ast.AnnAssign) and holds(child):
                target = child.targets[0] if isinstance(child, ast.Assign) else child.target
                named = target.id if isinstance(target, ast.Name) else ""
            if inner != prefix and holds(child):
                holder = inner
            if not isinstance(child, ast.expr):
                look(child, inner)

    look(ast.parse(source), "")
    if holder.endswith("<locals>."):
        return frozenset({holder.removesuffix(".<locals>.")})
    if holder:
        return frozenset(name for name in every if name.startswith(holder)) | {holder + "__init__"}
    return frozenset(
        name
        for name, function in every.items()
        if any(isinstance(part, ast.Name) and part.id == named for part in ast.walk(function))
    )


def changed(source: str, old: ast.expr, new: ast.expr) -> str:
    """Return a source with one expression in the place of another."""
    lines = source.encode().splitlines(keepends=True)
    assert old.end_lineno is not None
    assert old.end_col_offset is not None
    first = sum(map(len, lines[: old.lineno - 1])) + old.col_offset
    last = sum(map(len, lines[: old.end_lineno - 1])) + old.end_col_offset
    data = source.encode()
    return (data[:first] + f"({ast.unparse(ast.fix_missing_locations(new))})".encode() + data[last:]).decode()


def tests_of(root: Path, path: Path) -> list[str]:
    """Return the files of tests that may notice a change of a file, the likeliest first.

    Those of the table, those called like it, then by how far it is from what they import to the file: itself, what
    imports it, what imports that; faces come late. No test drives a browser for this.
    """
    away = _distances(root, _dotted(path))
    called = {module.rpartition(".")[2] for module, distance in away.items() if distance == 1}
    ranked: list[tuple[int, bool, int, str]] = []
    for test in sorted((root / "tests").glob("test_*.py")):
        if _UNASKED.match(test.stem):
            continue
        taken = Counter(_imported(root, test.relative_to(root)))
        nearest = min((away[module] for module in taken if module in away), default=len(away))
        uses = sum(count for module, count in taken.items() if away.get(module) == nearest)
        if test.stem in TESTS_BESIDE.get(str(path), ()):
            rank = 0
        elif path.parts[0] == "passim" and _FACES.match(test.stem):
            rank = 4 + nearest
        else:
            rank = 1 if path.stem in test.stem else 2 + nearest
        ranked.append((rank, not any(name in test.stem for name in called), -uses, test.stem))
    return [f"tests/{stem}.py" for *_, stem in sorted(ranked)]


def _dotted(path: Path) -> str:
    """Return the name by which a file is imported."""
    return ".".join(path.with_suffix("").parts).replace("apps.", "passim_apps.").removesuffix(".__init__")


@lru_cache(maxsize=32)
def _distances(root: Path, module: str) -> dict[str, int]:
    """Return how many imports lie between a module and each of those that it reaches: 0 for itself."""
    users: dict[str, set[str]] = {}
    for room in ("passim", "apps"):
        for file in _below(root, Path(room)):
            if file.name != "__init__.py":  # doors hand on names of modules, and these are followed
                for taken in _imported(root, file):
                    users.setdefault(taken, set()).add(_dotted(file))
    away, edge = {module: 0}, [module]
    while edge:
        edge = [user for near in edge for user in users.get(near, ())]
        edge = [user for user in dict.fromkeys(edge) if user not in away]
        away |= dict.fromkeys(edge, max(away.values()) + 1)
    return away


@lru_cache(maxsize=1024)
def _imported(root: Path, path: Path) -> tuple[str, ...]:
    """Return the modules that a file imports, each as often as it takes a name of it; doors are looked behind."""
    found = list[str]()
    for node in ast.walk(ast.parse((root / path).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            package = _dotted(path.parent).split(".")
            above = package[: len(package) + 1 - node.level] if node.level else []
            door = ".".join([*above, *([node.module] if node.module else [])])
            found += [_behind(root, door, alias.name) for alias in node.names]
    return tuple(found)


@lru_cache(maxsize=4096)
def _behind(root: Path, door: str, name: str) -> str:
    """Return the module from which a name comes: below a package, what its door hands on, or the door itself."""
    folder = root.joinpath(*door.replace("passim_apps", "apps").split("."))
    if (folder / f"{name}.py").is_file() or (folder / name / "__init__.py").is_file():
        return f"{door}.{name}"
    if (folder / "__init__.py").is_file():
        for node in ast.walk(ast.parse((folder / "__init__.py").read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and any(alias.name == name for alias in node.names):
                within = f"{door}.{node.module}" if node.level else node.module
                return _behind(root, within, name) if within != door else door
    return door


def selection(
    change: Change, recorded: Sequence[RecordedTest], tests: Sequence[str], budget_s: float, *, calling: bool = False
) -> list[str]:
    """Return the tests to try on a change: of its files of tests those that call its functions, the cheapest first.

    What is left of the budget goes to other tests of these files, which may share what one test prepared; with
    `calling` it does not.
    """
    keys = {f"{change.path}:{name}" for name in functions_of(change.source, change.old)}
    rank = {file: number for number, file in enumerate(tests)}
    mine = sorted(
        (test for test in recorded if test.name.partition("::")[0] in rank),
        key=lambda test: (not keys & test.calls, test.cost_s * (1 + rank[test.name.partition("::")[0]])),
    )
    chosen, left_s = list[str](), budget_s
    for test in mine:
        if (calling and not keys & test.calls) or (chosen and test.cost_s > left_s):
            continue
        chosen.append(test.name)
        left_s -= test.cost_s
    return chosen


def trials(
    change: Change, files: Sequence[str], tests: Callable[[str], Sequence[RecordedTest]], budget_s: float
) -> Iterator[list[RecordedTest]]:
    """Yield the tests to try on a change, one lot after another for as long as none has noticed.

    First come those of the likeliest files within the budget. Then all that call its functions, by their files in
    turn and at last those left out before, within several times the budget together.
    """
    tried, left_s = set[str](), budget_s * _LATER_BUDGETS
    ends = [
        *accumulate(_FIRST_FILES),
        *range(sum(_FIRST_FILES) + _FILES_AT_ONCE, len(files) + _FILES_AT_ONCE, _FILES_AT_ONCE),
    ]
    lots = [lot for first, end in pairwise([0, *ends]) if (lot := files[first:end])]
    rooms_s = [budget_s, *[_LATER_BUDGET * budget_s] * (len(lots) - 1), left_s]
    for number, (lot, room_s) in enumerate(zip([*lots, files], rooms_s, strict=True)):
        untried = {test.name: test for file in lot for test in tests(file) if test.name not in tried}
        names = selection(change, list(untried.values()), files, min(room_s, left_s), calling=number > 0)
        tried.update(names)
        if number > 0:
            left_s -= sum(untried[name].cost_s for name in names)
        if names:
            yield [untried[name] for name in names]
        if left_s <= 0.0:
            return


class Recorder:
    """A plugin of pytest: the processor time of each test and the functions of the tree that it calls.

    Every function of the tree is loaded with one more statement that says it was called: tracing calls takes longer
    than many a test.
    """

    def __init__(self, tree: Path, rooms: Sequence[str]) -> None:
        self._prefix, self._length = tuple(f"{tree}/{room}" for room in rooms), len(str(tree)) + 1
        self._called: set[str] = set()
        self._fixtures: dict[str, set[str]] = {}
        self.tests: dict[str, tuple[float, list[str]]] = {}
        self.failed: list[str] = []
        load = SourceFileLoader.get_code

        def load_watched(loader: SourceFileLoader, name: str) -> CodeType | None:
            path = os.path.realpath(loader.path)
            return self._watched(path) if path.startswith(self._prefix) else load(loader, name)

        SourceFileLoader.get_code = load_watched  # type: ignore[method-assign]  # this process ends after its tests
        builtins._note_call = self._note_call  # type: ignore[attr-defined]

    def _note_call(self, function: str) -> None:
        self._called.add(function)

    def _watched(self, path: str) -> CodeType:
        """Return the code of a file in which every function says that it was called."""
        tree = ast.parse(Path(path).read_text(encoding="utf-8"))

        def watch(node: ast.AST, prefix: str) -> None:
            for child in ast.iter_child_nodes(node):
                inner = prefix
                if isinstance(child, ast.ClassDef):
                    inner = f"{prefix}{child.name}."
                if isinstance(child, ast.FunctionDef):
                    inner = f"{prefix}{child.name}.<locals>."
                    function = f"{path[self._length :]}:{prefix}{child.name}"
                    [said] = ast.parse(f"__builtins__['_note_call']({function!r})").body
                    for part in ast.walk(said):
                        ast.copy_location(part, child.body[0])
                    child.body.insert(int(ast.get_docstring(child) is not None), said)
                watch(child, inner)

        watch(tree, "")
        return compile(tree, path, "exec", dont_inherit=True)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Generator[None, Any, Any]:
        """Remember what a fixture calls that several tests share."""
        before, self._called = self._called, set()
        try:
            return (yield)
        finally:
            if fixturedef.scope != "function":
                self._fixtures[fixturedef.argname] = self._called
            self._called = before | self._called

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, Any, Any]:
        """Time a test and note its calls; a slow one is given up, and all that would come late."""
        self._called, self._outcomes = set(), Counter[str]()
        before_s = _processor_s()
        signal.signal(signal.SIGPROF, lambda *_: pytest.skip(f"takes over {SLOWEST_TEST_S:g} s"))
        if before_s > _LONGEST_FILE_S:
            item.add_marker(pytest.mark.skip(f"comes after {_LONGEST_FILE_S:g} s of its file"))
        signal.setitimer(signal.ITIMER_PROF, SLOWEST_TEST_S)
        try:
            result = yield
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0.0)
        calls = set().union(self._called, *(self._fixtures.get(name, ()) for name in getattr(item, "fixturenames", ())))
        if self._outcomes["failed"]:
            self.failed.append(item.nodeid)
        elif not self._outcomes["skipped"]:
            self.tests[item.nodeid] = _processor_s() - before_s, sorted(calls)
        return result

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Note how each phase of a test ended."""
        self._outcomes[report.outcome] += 1


class Copy:
    """A copy of the tree in which one file at a time is changed and tests are run, each time in a forked process."""

    def __init__(self, root: Path, folder: Path) -> None:
        self.tree, self.output, self._temporary = folder / "tree", folder / "output.txt", folder / "temporary"
        unwanted = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".shim", "*.png")
        shutil.copytree(root, self.tree, ignore=unwanted)
        (self.tree / ".packages").mkdir()
        if (self.tree / "apps").is_dir():
            (self.tree / ".packages" / "passim_apps").symlink_to(self.tree / "apps")

    def record(self, file: str, rooms: Sequence[str]) -> tuple[list[RecordedTest], list[str]]:
        """Return what each test of a file costs and calls, and which of them fail (the file itself, if all of it)."""
        answer = self.tree / "recorded.json"
        answer.unlink(missing_ok=True)

        def work() -> int:
            recorder = Recorder(self.tree, rooms)
            status = self._pytest([file], recorder)
            answer.write_text(json.dumps([recorder.tests, recorder.failed]), encoding="utf-8")
            return status

        status = self._run(work, _LONGEST_RECORDING_S)
        if status not in (0, 1, 5) or not answer.exists():
            return [], [file]
        tests, failed = json.loads(answer.read_text(encoding="utf-8"))
        return [RecordedTest(name, cost, frozenset(calls)) for name, (cost, calls) in tests.items()], failed

    def notices(self, path: Path, text: str, tests: Sequence[str], longest_s: float) -> bool:
        """Say whether some tests fail, or take longer than they may, with `text` in a file."""
        file = self.tree / path
        before, stamp = file.read_bytes(), file.stat()
        file.write_text(text, encoding="utf-8")
        # Compiled code is told from stale code by size and whole seconds.
        os.utime(file, (stamp.st_atime, stamp.st_mtime + 10.0))
        sys.dont_write_bytecode = True
        try:
            return self._run(lambda: self._pytest(["-x", *tests]), longest_s) not in (0, 5)
        finally:
            sys.dont_write_bytecode = False
            file.write_bytes(before)
            os.utime(file, (stamp.st_atime, stamp.st_mtime))

    def _pytest(self, arguments: Sequence[str], *plugins: object) -> int:
        """Run pytest in this (forked) process."""
        os.chdir(self.tree)
        paths = [str(self.tree / ".packages"), str(self.tree)]
        os.environ["PYTHONPATH"] = os.pathsep.join(paths)
        sys.path[:0] = paths
        for name in [name for name in sys.modules if name.partition(".")[0] in ("tests", "passim", "passim_apps")]:
            del sys.modules[name]
        options = ["-q", "-m", "not browser", "-p", "no:cacheprovider", f"--basetemp={self._temporary}"]
        options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # of libraries that are loaded before
        return int(pytest.main([*options, *arguments], plugins=list(plugins)))

    def _run(self, work: Callable[[], int], longest_s: float) -> int:
        """Return the status of some work in a forked process, or -1 where it took longer than it may and was ended."""
        sys.stdout.flush()
        child = os.fork()
        if child == 0:
            status = 1
            try:
                os.setsid()
                os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
                said = os.open(self.output, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
                os.dup2(said, 1)
                os.dup2(said, 2)
                signal.signal(signal.SIGTERM, signal.SIG_DFL)
                resource.setrlimit(resource.RLIMIT_CPU, (int(longest_s) + 1, int(longest_s) + 2))
                status = work()
                sys.stdout.flush()
            except BaseException:
                traceback.print_exc()
            finally:
                os._exit(status)
        # Processor time is limited above; what waits for ever is ended here. On a busy machine all takes longer.
        end, done, status = time.monotonic() + 10.0 * longest_s, 0, -1
        try:
            while not done and time.monotonic() < end:
                time.sleep(0.02)
                done, status = os.waitpid(child, os.WNOHANG)
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child, signal.SIGKILL)  # and what a test left running
            if not done:
                os.waitpid(child, 0)
        return os.waitstatus_to_exitcode(status) if done else -1


def _processor_s() -> float:
    """Return the processor time of this process and of those it has waited for."""
    return sum(os.times()[:4])


def sample_of(root: Path, rooms: Sequence[str], seed: int, count: int) -> list[Change]:
    """Return some changes to the files of some rooms (folders or files below the root), drawn at random by a seed."""
    paths = sorted(
        file for room in rooms for file in ([Path(room)] if room.endswith(".py") else _below(root, Path(room)))
    )
    sources = {path: (root / path).read_text(encoding="utf-8") for path in paths}
    every = [Change(path, source, old, new) for path, source in sources.items() for old, new in changes_of(source)]
    return random.Random(seed).sample(every, min(count, len(every)))


def changes_at(root: Path, places: Sequence[str]) -> list[Change]:
    """Return every change that begins in one of some lines, each "file:line"."""
    found = list[Change]()
    for place in places:
        path, _, line = place.rpartition(":")
        source = (root / path).read_text(encoding="utf-8")
        found += [Change(Path(path), source, old, new) for old, new in changes_of(source) if old.lineno == int(line)]
    return found


def _below(root: Path, room: Path) -> Iterator[Path]:
    return (file.relative_to(root) for file in (root / room).rglob("*.py"))


class Record:
    """What the tests cost and call on the unchanged tree, found out as it is needed and kept in a file if one is given.

    A stored record holds as long as neither the code nor the test changes. `failing` are tests that fail unchanged.
    """

    def __init__(self, copy: Copy, rooms: Sequence[str], store: Path | None) -> None:
        self._copy, self._rooms, self._store = copy, rooms, store
        self._code, self.failing = hashlib.sha256(), set[str]()
        for file in sorted(chain.from_iterable(_below(copy.tree, Path(room)) for room in rooms)):
            self._code.update((copy.tree / file).read_bytes())
        self._found: dict[str, list[RecordedTest]] = {}

    def tests(self, file: str) -> list[RecordedTest]:
        """Return the tests of a file that pass and are not slow."""
        if file not in self._found:
            digest = hashlib.sha256(self._code.digest() + (self._copy.tree / file).read_bytes()).hexdigest()
            kept = self._stored().get(file, {})
            if kept.get("digest") != digest:
                tests, failed = self._copy.record(file, self._rooms)
                kept = {"digest": digest, "failed": failed}
                kept["tests"] = [(test.name, test.cost_s, sorted(test.calls)) for test in tests]
                print(f"{file}: {len(tests)} tests, {sum(test.cost_s for test in tests):.1f} s", flush=True)
                if failed:
                    said = self._copy.output.read_text(encoding="utf-8", errors="replace")
                    print(f"fails unchanged: {', '.join(failed)}\n{said[-2000:]}", flush=True)
                if self._store is not None:
                    # Another process may be reading it.
                    whole = self._store.with_suffix(f".{os.getpid()}")
                    whole.write_text(json.dumps({**self._stored(), file: kept}), encoding="utf-8")
                    whole.replace(self._store)
            self.failing |= set(kept["failed"])
            self._found[file] = [RecordedTest(name, cost, frozenset(calls)) for name, cost, calls in kept["tests"]]
        return self._found[file]

    def _stored(self) -> dict[str, Any]:
        """Return what is stored now: another process may have added to it."""
        is_there = self._store is not None and self._store.is_file()
        return json.loads(self._store.read_text(encoding="utf-8")) if is_there else {}


def main(arguments: Sequence[str] | None = None, root: Path = ROOT) -> int:
    """Try a sample of small changes, show those that no test notices, and say how many were noticed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--only", type=int, nargs="*", metavar="NUMBER", help="only these of the sample, from 1")
    parser.add_argument("--at", nargs="*", default=[], metavar="FILE:LINE", help="every change of these lines instead")
    parser.add_argument("--budget", type=float, default=5.0, help="seconds of processor time of the tests of a change")
    parser.add_argument("--record", type=Path, help="file that keeps what the tests cost and call")
    parser.add_argument("--share", default="1/1", metavar="K/N", help="only every N-th of the sample, from the K-th on")
    parser.add_argument("rooms", nargs="*", default=["passim"], help="folders or files below the root")
    chosen = parser.parse_args(arguments)
    first, step = map(int, chosen.share.split("/"))
    drawn = changes_at(root, chosen.at) or sample_of(root, chosen.rooms, chosen.seed, chosen.count)
    sample = list(enumerate(drawn, 1))[first - 1 :: step]
    if chosen.only is not None:
        sample = [(number, change) for number, change in sample if number in chosen.only]
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # ends the run that is going on, too
    for library in _LIBRARIES:
        importlib.import_module(library)
    noticed, spent_s = 0, 0.0
    with tempfile.TemporaryDirectory(prefix="small-changes-") as folder:
        copy = Copy(root, Path(folder).resolve())
        rooms = sorted({f"{Path(room).parts[0]}/" for room in [*chosen.rooms, *(change.path for change in drawn)]})
        record = Record(copy, rooms, chosen.record)
        for number, change in sample:
            text = changed(change.source, change.old, change.new)
            passed, caught = 0, False
            for lot in trials(change, tests_of(root, change.path), record.tests, chosen.budget):
                longest_s = 3.0 * sum(test.cost_s for test in lot) + _MARGIN_S
                began_s = _processor_s()
                caught = copy.notices(change.path, text, [test.name for test in lot], longest_s)
                spent_s += _processor_s() - began_s
                if caught:
                    break
                passed += len(lot)
            noticed += caught
            place = f"{change.path}:{change.old.lineno}"
            print(
                f"{number} noticed: {place}" if caught else f"{number} NOT NOTICED by {passed} tests: {place}",
                flush=True,
            )
            if not caught:
                lines = (change.source.splitlines(), text.splitlines())
                shown = difflib.unified_diff(*lines, str(change.path), "changed", n=1, lineterm="")
                print("\n".join(shown), flush=True)
    print(
        f"{noticed} of {len(sample)} noticed, seed {chosen.seed}, "
        f"{spent_s / max(len(sample), 1):.1f} s of processor time a change"
    )
    if record.failing:
        print("fail unchanged, and were left out: " + ", ".join(sorted(record.failing)))
    return int(bool(record.failing) or noticed < WANTED_SHARE * len(sample))


if __name__ == "__main__":
    sys.exit(main())
