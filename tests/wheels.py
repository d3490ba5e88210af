"""The wheel, and passim as it is installed from it: what users run, rather than the tree it was made from."""

from __future__ import annotations

import contextlib
import functools
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parent.parent
# Only ends a build that hangs. On its own, because what builds outside the tests does not find their modules.
_HANGS_S: Final = 600.0
_PIP: Final = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
# The tests and samples are copied too: they are there for a mistake to pack.
_PARTS: Final = ("LICENSE", "README.md", "apps", "passim", "pyproject.toml", "tests", "tle_samples")

_LEFT_BEHIND: Final = (".git", ".venv*", ".*_cache", "__pycache__", "build", "dist", "*.egg-info", ".shim", ".env")


# The folder that all workers of a run of the tests share, by tests/conftest.py.
SHARED: Final = "PASSIM_TESTS_SHARED"


@functools.cache
def _own() -> tempfile.TemporaryDirectory[str]:
    """A folder that is gone when this process ends."""
    return tempfile.TemporaryDirectory(prefix="passim-wheel-")


def _kept() -> Path:
    return Path(os.environ.get(SHARED) or _own().name)


@contextlib.contextmanager
def _alone(name: str) -> Iterator[Path]:
    """Give the folder of that name while no other worker makes what is to stand in it."""
    import fcntl  # which Windows has not

    with (_kept() / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield _kept() / name


@functools.cache
def wheel() -> Path:
    """Build the wheel from a copy of the tree, because setuptools leaves a build folder behind and packs it again.

    One worker builds it for all.
    """
    with _alone("wheel") as out:
        if not out.exists():
            tree, part = _kept() / "tree", _kept() / "wheel.part"
            tree.mkdir()
            for name in _PARTS:
                if (ROOT / name).is_dir():
                    shutil.copytree(ROOT / name, tree / name, ignore=shutil.ignore_patterns("__pycache__"))
                else:
                    shutil.copy(ROOT / name, tree / name)
            offline = ["--no-index", "--no-deps", "--no-build-isolation"]
            _run([*_PIP, "wheel", "--quiet", *offline, "--wheel-dir", str(part), str(tree)])
            part.rename(out)
    [path] = out.iterdir()
    return path


@functools.cache
def source_archive() -> Path:
    """Build the source archive from a copy of what git tracks or would track, in a repository of its own."""
    tree, out = _kept() / "tracked", _kept() / "archive"
    out.mkdir()
    shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(*_LEFT_BEHIND))
    git = ["git", "-c", "user.name=tests", "-c", "user.email=tests@example.invalid", "-C", str(tree)]
    _run([*git, "init", "--quiet"])
    _run([*git, "add", "--all"])
    _run([*git, "commit", "--quiet", "--message", "as it is"])
    build = f"from setuptools import build_meta; build_meta.build_sdist({str(out)!r})"
    _run([sys.executable, "-c", build], cwd=tree)
    [path] = out.iterdir()
    return path


@functools.cache
def installed_environment() -> dict[str, str]:
    """Install the wheel beside what it needs, and return an environment in which it goes before the tree."""
    with _alone("installed") as place:
        if not place.exists():
            part = _kept() / "installed.part"
            _run([*_PIP, "install", "--quiet", "--no-index", "--no-deps", "--target", str(part), str(wheel())])
            part.rename(place)
    environment = {**os.environ, "PYTHONPATH": str(place)}
    told = "import passim, passim_apps; print(passim.__file__); print(passim_apps.__file__)"
    # Not in the tree, whose folder Python would look into first.
    found = _run([sys.executable, "-c", told], env=environment, cwd=place).splitlines()
    assert all(Path(line).is_relative_to(place) for line in found), found
    return environment


def _run(command: list[str], **where: object) -> str:
    answer = subprocess.run(command, capture_output=True, text=True, check=False, timeout=_HANGS_S, **where)  # type: ignore[call-overload]
    assert answer.returncode == 0, answer.stdout + answer.stderr
    return str(answer.stdout)
