"""What is packed and what is installed: the package list, the wheel, the lock files and the set-up scripts."""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import wheels
from patience import PATIENCE_S

ROOT = Path(__file__).resolve().parent.parent
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
SOURCES = sorted(path for folder in ("passim", "apps") for path in (ROOT / folder).rglob("*.py"))


# --- the wheel --------------------------------------------------------------------------------------------------------


def packages_in_tree() -> set[str]:
    folders = {path.parent.relative_to(ROOT) for path in SOURCES}
    return {re.sub(r"^apps\b", "passim_apps", ".".join(folder.parts)) for folder in folders}


def test_the_package_list_is_exact() -> None:
    assert set(PYPROJECT["tool"]["setuptools"]["packages"]) == packages_in_tree()


def test_every_package_has_its_init() -> None:
    assert {path.parent for path in SOURCES if not (path.parent / "__init__.py").is_file()} == set()


@pytest.fixture(scope="module")
def wheel() -> Iterator[zipfile.ZipFile]:
    with zipfile.ZipFile(wheels.wheel()) as opened:
        yield opened


def test_the_wheel_holds_the_library_and_the_apps_and_nothing_else(wheel: zipfile.ZipFile) -> None:
    names = wheel.namelist()
    version = PYPROJECT["project"]["version"]
    information = f"passim-{version}.dist-info"
    assert {name.partition("/")[0] for name in names} == {"passim", "passim_apps", information}

    # Every source file is in it, under its installed name, and no file that is no longer in the tree.
    sources = {re.sub(r"^apps/", "passim_apps/", path.relative_to(ROOT).as_posix()) for path in SOURCES}
    assert {name for name in names if name.endswith(".py")} == sources
    assert "passim/py.typed" in names
    assert f"{information}/licenses/LICENSE" in names
    assert not [name for name in names if name.endswith((".sh", "/start"))], "set-up scripts belong to the tree"

    # What the dashboard serves, and the templates of its pages and of the report, travel with it.
    beside = [path.relative_to(ROOT / "apps") for path in (ROOT / "apps").rglob("*") if path.is_file()]
    data = {f"passim_apps/{path.as_posix()}" for path in beside if {"assets", "templates"} & set(path.parts)}
    assert {path.rpartition("/")[2] for path in data} >= {"passim.css", "login.html", "report.html", "report.css"}
    assert data - set(names) == set()


def test_the_wheel_brings_the_command(wheel: zipfile.ZipFile) -> None:
    version = PYPROJECT["project"]["version"]
    entry_points = wheel.read(f"passim-{version}.dist-info/entry_points.txt").decode()
    assert "passim = passim_apps.command_line.main:main" in entry_points


def test_the_programs_beside_the_tests_start_from_the_root_of_the_tree() -> None:
    """They are run by hand, with nothing of pytest's on the path."""
    names = ("packing_trial", "dates", "small_changes", "soak.lan", "soak.kills", "soak.readers", "benchmarks.refusals")
    imported = "; ".join(f"import tests.{name}" for name in names)
    subprocess.run([sys.executable, "-c", imported], cwd=ROOT, check=True, timeout=PATIENCE_S)


# --- the source archive -----------------------------------------------------------------------------------------------


@pytest.mark.skipif(shutil.which("git") is None, reason="the source archive holds what git tracks, and there is no git")
def test_the_source_archive_can_run_its_own_tests(tmp_path: Path) -> None:
    with tarfile.open(wheels.source_archive()) as archive:
        # Debian's Python 3.11.2 does not know filters yet, later ones ask for one.
        archive.extractall(tmp_path, **({"filter": "data"} if hasattr(tarfile, "data_filter") else {}))
    [tree] = tmp_path.iterdir()
    packed = {path.relative_to(tree).as_posix() for path in tree.rglob("*") if path.is_file()}
    wanted = {"README.md", "DEVELOPERS.md", "LICENSE", "requirements-test.lock.txt", "tests/run", "apps/start"}
    for folder in ("passim", "apps", "tests", "tle_samples"):
        wanted |= {
            path.relative_to(ROOT).as_posix()
            for path in (ROOT / folder).rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        }
    assert wanted - packed == set()

    # From inside it: a room's tests, the layout of the tree, and the samples.
    (tree / "here").mkdir()
    (tree / "here" / "passim_apps").symlink_to(tree / "apps")
    environment = {**os.environ, "PYTHONPATH": f"{tree}{os.pathsep}{tree / 'here'}"}
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/test_spans.py"]
    command += ["tests/test_samples.py"]
    answer = subprocess.run(
        command, cwd=tree, env=environment, capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    assert answer.returncode == 0, answer.stdout + answer.stderr


# --- what is declared -------------------------------------------------------------------------------------------------

# Needed though nothing imports it by name: zoneinfo reads it where the system has no time zones of its own.
DATA_ONLY = {"tzdata"}


def test_what_is_imported_is_declared_and_the_reverse() -> None:
    imported: set[str] = set()
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level:
                imported.add(str(node.module).partition(".")[0])
    outside = imported - set(sys.stdlib_module_names) - {"passim", "passim_apps"}
    distributions = packages_distributions()
    used = {canonicalize_name(distributions[name][0]) for name in outside}
    project = PYPROJECT["project"]
    needed = {canonicalize_name(Requirement(line).name) for line in project["dependencies"]}
    extras = {
        canonicalize_name(Requirement(line).name)
        for extra in ("pictures", "cluster")
        for line in project["optional-dependencies"][extra]
    }
    # The cluster's client is imported as `distributed`, which the extra asks for by the name of its family.
    used = {"dask" if name == "distributed" else name for name in used}
    assert used == (needed - DATA_ONLY) | extras


# --- the lock files ---------------------------------------------------------------------------------------------------


def pins(lock_name: str) -> dict[str, set[tuple[str, str]]]:
    """Return, for each library of a lock file, its versions with the marker each stands under."""
    found: dict[str, set[tuple[str, str]]] = {}
    for line in (ROOT / lock_name).read_text(encoding="utf-8").splitlines():
        if match := re.match(r"([A-Za-z0-9][A-Za-z0-9._-]*)==([^ ;]+)\s*(?:;\s*(.*?))?\s*\\?$", line):
            found.setdefault(canonicalize_name(match[1]), set()).add((match[2], match[3] or ""))
    return found


def test_the_test_lock_contains_the_run_lock() -> None:
    """tests/run and apps/start share one .venv, so the two lock files must never disagree."""
    run, tests = pins("requirements.lock.txt"), pins("requirements-test.lock.txt")
    versions = {name: {version for version, _ in pinned} for name, pinned in tests.items()}
    assert {name for name, pinned in run.items() if {version for version, _ in pinned} != versions.get(name)} == set()


@pytest.mark.parametrize(
    ("lock_name", "extras"),
    [("requirements.lock.txt", ()), ("requirements-test.lock.txt", ("test", "pictures", "cluster"))],
)
def test_the_lock_files_satisfy_the_project(lock_name: str, extras: tuple[str, ...]) -> None:
    project = PYPROJECT["project"]
    wanted = [*project["dependencies"], *PYPROJECT["dependency-groups"]["build"]]
    for extra in extras:
        wanted += project["optional-dependencies"][extra]
    locked = pins(lock_name)
    for requirement in map(Requirement, wanted):
        versions = [version for version, _ in locked.get(canonicalize_name(requirement.name), ())]
        assert versions, f"{requirement.name} is missing from {lock_name}: refresh it as pyproject.toml says"
        assert all(requirement.specifier.contains(version) for version in versions), f"{requirement} against {versions}"


def test_every_locked_file_has_its_hash() -> None:
    for lock_name in ("requirements.lock.txt", "requirements-test.lock.txt"):
        text = re.sub(r"\\\n", "", (ROOT / lock_name).read_text(encoding="utf-8"))
        unhashed = [
            line for line in text.splitlines() if "==" in line and not line.startswith("#") and "--hash=" not in line
        ]
        assert unhashed == []


# --- the set-up -------------------------------------------------------------------------------------------------------


def test_the_set_up_asks_for_the_python_that_passim_needs() -> None:
    floor = PYPROJECT["project"]["requires-python"]
    assert floor == ">=3.11"
    assert "sys.version_info >= (3, 11)" in (ROOT / "apps/setup_venv.sh").read_text(encoding="utf-8")


@pytest.mark.skipif(shutil.which("sh") is None, reason="the set-up scripts are for a POSIX shell")
@pytest.mark.parametrize("script", ["apps/start", "tests/run"])
def test_a_machine_without_python_is_told_in_one_line(tmp_path: Path, script: str) -> None:
    """A contributor who is not root and has no usable Python: status 2, one line, and nothing left behind."""
    tree, tools = tmp_path / "tree", tmp_path / "tools"
    for name in (
        "apps/start",
        "apps/setup_venv.sh",
        "tests/run",
        "requirements.lock.txt",
        "requirements-test.lock.txt",
    ):
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, tree / name)
    tools.mkdir()
    for name in ("sh", "dirname", "cat", "cmp"):
        (tools / name).symlink_to(str(shutil.which(name)))
    (tools / "id").write_text("#!/bin/sh\necho 1000\n", encoding="utf-8")
    # Debian's python3 without its venv package starts, and cannot import ensurepip.
    (tools / "python3").write_text("#!/bin/sh\nexit 1\n", encoding="utf-8")
    for name in ("id", "python3"):
        (tools / name).chmod(0o755)

    command = [str(tools / "sh"), str(tree / script)]
    answer = subprocess.run(
        command, env={"PATH": str(tools)}, capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    assert (answer.returncode, answer.stdout) == (2, "")
    assert answer.stderr.count("\n") == 1
    assert "Python 3.11" in answer.stderr
    assert "python3-venv" in answer.stderr
    assert not (tree / ".venv").exists()
