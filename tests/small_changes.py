"""What the tests let through: single small changes to the code, each tried in a copy of the tree, outside CI.

    python -m tests.small_changes --seed 1 --count 20                   of passim/
    python -m tests.small_changes --seed 1 --count 20 passim/coverage passim/spans.py

A comparison is flipped or loses its equality, + becomes -, a constant moves by one, `not` comes or goes, a returned
value becomes None, the text of a key changes. The tests that name the file's module are run on the changed copy; a
change that none of them notices is shown as a diff. The status is 0 where at least 95 of 100 are noticed.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
WANTED_SHARE = 0.95
_LONGEST_RUN_S = 900.0
_COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


def changes_of(source: str) -> Iterator[tuple[ast.expr, ast.expr]]:
    """Yield every expression of a source that can be changed, with what takes its place. Annotations are left alone."""
    tree = ast.parse(source)
    hints = [getattr(node, name, None) for node in ast.walk(tree) for name in ("annotation", "returns")]
    spared = {id(part) for hint in hints if hint is not None for part in ast.walk(hint)}
    # What stands within an f-string cannot be replaced by its place in the file.
    spared |= {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in ast.walk(node)}
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
        elif isinstance(node, ast.If | ast.While):
            yield node.test, ast.UnaryOp(ast.Not(), node.test)
        elif isinstance(node, ast.Return) and node.value is not None:
            yield node.value, ast.Constant(None)
        elif isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Constant) and type(node.slice.value) is str:
            yield node.slice, ast.Constant(node.slice.value + "x")


def changed(source: str, old: ast.expr, new: ast.expr) -> str:
    """Return a source with one expression in the place of another."""
    lines = source.encode().splitlines(keepends=True)
    assert old.end_lineno is not None
    assert old.end_col_offset is not None
    first = sum(map(len, lines[: old.lineno - 1])) + old.col_offset
    last = sum(map(len, lines[: old.end_lineno - 1])) + old.end_col_offset
    data = source.encode()
    return (data[:first] + f"({ast.unparse(ast.fix_missing_locations(new))})".encode() + data[last:]).decode()


def tests_of(path: Path) -> list[str]:
    """Return the tests that name a file's module, or a file of tests that is called like it or like its folder."""
    dotted = ".".join(path.with_suffix("").parts)
    door, _, name = dotted.rpartition(".")
    found = []
    for test in sorted((ROOT / "tests").glob("test_*.py")):
        text, words = test.read_text(encoding="utf-8"), test.stem.split("_")
        imports = dotted in text or any(
            line.startswith(f"from {door} import") and name in line for line in text.split("\n")
        )
        if "browser" not in words and (imports or name in test.stem or path.parent.name in words):
            found.append(f"tests/{test.name}")
    return found


def is_noticed(tree: Path, path: Path, text: str) -> bool:
    """Say whether the tests of a file fail on the copy `tree` of the project with `text` in that file."""
    file = tree / path
    before = file.read_text(encoding="utf-8")
    file.write_text(text, encoding="utf-8")
    command = [
        sys.executable,
        "-B",
        "-m",
        "pytest",
        "-qx",
        "-m",
        "not browser",
        "-p",
        "no:cacheprovider",
        *tests_of(path),
    ]
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(tree / ".packages"), str(tree)]))
    try:
        ran = subprocess.run(
            command, cwd=tree, env=environment, capture_output=True, timeout=_LONGEST_RUN_S, check=False
        )
        return ran.returncode != 0
    except subprocess.TimeoutExpired:
        return True
    finally:
        file.write_text(before, encoding="utf-8")


def main(arguments: Sequence[str] | None = None) -> int:
    """Try a sample of small changes, show those that no test notices, and say how many were noticed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("rooms", nargs="*", default=["passim"], help="folders or files below the root")
    chosen = parser.parse_args(arguments)
    paths = [
        file for room in chosen.rooms for file in ([Path(room)] if room.endswith(".py") else Path(room).rglob("*.py"))
    ]
    sources = {path: (ROOT / path).read_text(encoding="utf-8") for path in sorted(paths)}
    every = [(path, old, new) for path, source in sources.items() for old, new in changes_of(source)]
    sample = random.Random(chosen.seed).sample(every, min(chosen.count, len(every)))
    noticed, sound = 0, set[Path]()
    with tempfile.TemporaryDirectory(prefix="small-changes-") as folder:
        tree = Path(folder, "tree")
        shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", ".shim"))
        (tree / ".packages").mkdir()
        (tree / ".packages" / "passim_apps").symlink_to(tree / "apps")
        for number, (path, old, new) in enumerate(sample, 1):
            # A test that fails without any change notices nothing.
            if path not in sound:
                sound.add(path)
                assert not is_noticed(tree, path, sources[path]), f"the tests of {path} fail on the unchanged tree"
            text = changed(sources[path], old, new)
            caught = is_noticed(tree, path, text)
            noticed += caught
            print(f"{number} {'noticed' if caught else 'NOT NOTICED'}: {path}:{old.lineno}", flush=True)
            if not caught:
                lines = (sources[path].splitlines(), text.splitlines())
                print("\n".join(difflib.unified_diff(*lines, str(path), "changed", n=1, lineterm="")), flush=True)
    print(f"{noticed} of {len(sample)} noticed, seed {chosen.seed}")
    return int(noticed < WANTED_SHARE * len(sample))


if __name__ == "__main__":
    sys.exit(main())
