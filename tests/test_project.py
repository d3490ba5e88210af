"""The tree as a whole: who imports whom, what the public door shows, what lies where, and which hosts are named."""

from __future__ import annotations

import ast
import fnmatch
import os
import re
import socket
import subprocess
import sys
import types
from collections.abc import Iterator
from pathlib import Path

import pytest

import passim
from patience import PATIENCE_S

ROOT = Path(__file__).resolve().parent.parent

# Lowest first: a room may import those before it in this list, and itself.
ROOMS = (
    "errors",
    "constants",
    "arrays",
    "spans",
    "intervals",
    "search",
    "csv_files",
    "parallel",
    "elements",
    "orbits",
    "sky",
    "coverage",
    "forecast",
    "answers",
    "line",
    "workspace",
)

# The rooms and the questions that `passim.answers` has a folder for: what the apps may name.
QUESTIONS = ("calls", "growth", "sites", "symptom")
DOORS = (*ROOMS, *(f"answers.{question}" for question in QUESTIONS))

TOP_LEVEL = {
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "apps",
    "passim",
    "pyproject.toml",
    "requirements-test.lock.txt",
    "requirements.lock.txt",
    "tests",
    "tle_samples",
}

# What each room of the apps may import of the others: words know no face, and no page knows a command.
APPS = {
    "text": set(),
    "figures": {"text"},
    "report": {"text", "figures"},
    "command_line": {"text"},
    "dashboard": {"text", "figures"},
    "commands": {"text", "figures", "report", "command_line", "dashboard"},
}

LONGEST_FILE_LINES = 700


def python_files(*folders: str) -> list[Path]:
    return sorted(path for folder in folders for path in (ROOT / folder).rglob("*.py"))


def name_in_tree(path: Path) -> str:
    return str(path.relative_to(ROOT))


PASSIM_FILES = python_files("passim")
APPS_FILES = python_files("apps")


# --- who imports whom -------------------------------------------------------------------------------------------------


def imports_of(path: Path) -> Iterator[tuple[int, int, str]]:
    """Yield line, level (0 for an absolute import) and dotted module for each import anywhere in a file.

    ``from passim import sky`` is yielded as ``passim.sky`` where that is a room, because a room is what it imports.
    """
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, 0, alias.name
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            rooms = [alias.name for alias in node.names if module == "passim" and alias.name in ROOMS]
            yield from ((node.lineno, 0, f"passim.{room}") for room in rooms)
            if len(rooms) < len(node.names):
                yield node.lineno, node.level, module


def faults_in_passim(path: Path, room: str | None) -> list[str]:
    """What a file of the library imports though it may not; ``room`` is None for the public door itself."""
    faults = []
    for line, level, module in imports_of(path):
        top, _, rest = module.partition(".")
        if level:
            faults.append(f"line {line}: a relative import; inside passim they are absolute")
        elif top in ("passim_apps", "apps", "dash", "flask", "click", "waitress"):
            faults.append(f"line {line}: {module} belongs to the apps")
        elif top == "passim" and room is not None:
            other = rest.partition(".")[0]
            if other not in ROOMS:
                faults.append(f"line {line}: {module} is no room; import the room itself, not the public door")
            elif ROOMS.index(other) > ROOMS.index(room):
                faults.append(f"line {line}: {room} imports {other}, which stands above it")
    return faults


def faults_in_apps(path: Path) -> list[str]:
    """What a file of the apps imports though it may not."""
    faults = []
    for line, level, module in imports_of(path):
        top, _, rest = module.partition(".")
        if not level and top in ("passim_apps", "apps"):
            faults.append(f"line {line}: {module}; inside apps imports are relative")
        elif not level and top == "passim" and rest and rest not in DOORS:
            faults.append(
                f"line {line}: {module} is no public door: passim, passim.<room> or passim.answers.<question>"
            )
    return faults


def faults_between_apps(path: Path, place: Path) -> list[str]:
    """What a file of the apps, at `place` below apps/, imports of another of their rooms though it may not."""
    faults = []
    for line, level, module in imports_of(path):
        if not level:
            continue
        room, *_ = (*place.parts[: len(place.parts) - level], *module.split("."))
        if room and room != place.parts[0] and room not in APPS[place.parts[0]]:
            faults.append(f"line {line}: {place.parts[0]} imports {room}")
    return faults


def test_a_room_imports_only_rooms_below_it() -> None:
    faults = []
    for path in PASSIM_FILES:
        room = path.relative_to(ROOT / "passim").parts[0].removesuffix(".py")
        if room != "__init__" and room not in ROOMS:
            faults.append(f"{name_in_tree(path)} belongs to no room")
        else:
            found = faults_in_passim(path, None if room == "__init__" else room)
            faults += [f"{name_in_tree(path)}, {fault}" for fault in found]
    assert faults == []


def test_the_apps_import_only_public_doors() -> None:
    assert [f"{name_in_tree(path)}, {fault}" for path in APPS_FILES for fault in faults_in_apps(path)] == []


def test_the_import_check_of_rooms_can_tell(tmp_path: Path, subtests: pytest.Subtests) -> None:
    for line, allowed in [
        ("from passim.errors import SiteError", True),
        ("from passim.sky.horizon import Horizon", True),
        ("import numpy as np", True),
        ("from passim.coverage import Coverage", False),
        ("from passim import coverage", False),
        ("from passim import Site", False),
        ("from .site import Site", False),
        ("import dash", False),
        ("import passim_apps", False),
        ("def late():\n    from passim.answers import calls", False),
    ]:
        with subtests.test(line=line, allowed=allowed):
            path = tmp_path / "passes.py"
            path.write_text(line, encoding="utf-8")
            assert (faults_in_passim(path, "sky") == []) is allowed


def test_words_know_no_face_and_no_page_knows_a_command() -> None:
    faults = []
    for path in APPS_FILES:
        place = path.relative_to(ROOT / "apps")
        if len(place.parts) > 1:
            faults += [f"{place}, {fault}" for fault in faults_between_apps(path, place)]
    assert faults == []


def test_the_check_between_apps_can_tell(tmp_path: Path, subtests: pytest.Subtests) -> None:
    for place, line, allowed in [
        ("text/gaps.py", "from .units import share", True),
        ("text/gaps.py", "from ..command_line.output import echo_err", False),
        ("text/gaps.py", "from ..command_line import output", False),
        ("dashboard/pages/now.py", "from ...text.units import share", True),
        ("dashboard/pages/now.py", "from ..notes import blank", True),
        ("dashboard/pages/now.py", "def late():\n    from ...commands.now import now", False),
        ("commands/now.py", "from ..command_line.output import echo_err", True),
    ]:
        with subtests.test(place=place, line=line):
            path = tmp_path / "now.py"
            path.write_text(line, encoding="utf-8")
            assert (faults_between_apps(path, Path(place)) == []) is allowed


def test_the_import_check_of_apps_can_tell(tmp_path: Path, subtests: pytest.Subtests) -> None:
    for line, allowed in [
        ("from passim import Site, find_passes", True),
        ("from passim.sky import Site", True),
        ("from passim import errors", True),
        ("from passim.answers.calls import plan", True),
        ("from .options import SiteChoice", True),
        ("import dash", True),
        ("from passim.sky.site import Site", False),
        ("import passim.sky.site", False),
        ("from passim.answers.calls.plan import plan_of", False),
        ("from passim_apps.command_line.options import SiteChoice", False),
    ]:
        with subtests.test(line=line, allowed=allowed):
            path = tmp_path / "gaps.py"
            path.write_text(line, encoding="utf-8")
            assert (faults_in_apps(path) == []) is allowed


def test_help_imports_nothing_heavy() -> None:
    """The command line answers help at once: pandas alone would cost half a second."""
    program = """
import sys
import click
from passim_apps.command_line.main import main

def walk(command, name):
    command.get_help(click.Context(command, info_name=name))
    for child in getattr(command, "list_commands", lambda context: [])(click.Context(command)):
        walk(command.get_command(click.Context(command), child), child)

walk(main, "passim")
print(*sorted({"dash", "flask", "numpy", "pandas", "plotly", "requests", "sgp4", "skyfield"} & set(sys.modules)))
"""
    answer = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    assert (answer.returncode, answer.stderr) == (0, "")
    assert answer.stdout.split() == []


# --- the public door --------------------------------------------------------------------------------------------------


def test_the_public_door_is_sorted_and_shows_nothing_else() -> None:
    assert list(passim.__all__) == sorted(set(passim.__all__))
    shown = set(passim._WHERE) | {
        name
        for name, value in vars(passim).items()
        if not name.startswith("_") and not isinstance(value, types.ModuleType) and name != "annotations"
    }
    assert shown == {name for name in passim.__all__ if not name.startswith("_")}


def test_the_public_door_has_the_promised_names() -> None:
    promised = {
        "Coverage",
        "Fleet",
        "Horizon",
        "InputError",
        "PassimError",
        "Site",
        "Span",
        "find_passes",
        "read_elements",
        "walker",
        "write_elements",
    }
    assert promised - set(passim.__all__) == set()


def test_every_public_name_is_documented() -> None:
    # A plain value has no docstring. A data class without one is given its signature as its docstring: no words either.
    named = {name: value for name in passim.__all__ if callable(value := getattr(passim, name))}
    assert named
    assert [name for name, value in named.items() if not value.__doc__ or value.__doc__.startswith(f"{name}(")] == []


def test_the_public_door_maps_every_room() -> None:
    assert passim.__doc__ is not None
    rooms = {
        path.name.removesuffix(".py") for path in (ROOT / "passim").iterdir() if path.name.removesuffix(".py") in ROOMS
    }
    unmapped = {room for room in rooms if not re.search(rf"\b{room}\b", passim.__doc__)}
    assert unmapped == set()


def test_every_module_says_what_it_is() -> None:
    modules = {name_in_tree(path): ast.parse(path.read_text(encoding="utf-8")) for path in [*PASSIM_FILES, *APPS_FILES]}
    assert [name for name, module in modules.items() if not ast.get_docstring(module)] == []


# --- the tree ---------------------------------------------------------------------------------------------------------


def test_the_top_level_holds_only_what_is_listed() -> None:
    ignored = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text(encoding="utf-8").split() if line[0] != "#"]
    found = {
        path.name
        for path in ROOT.iterdir()
        if not path.name.startswith(".") and not any(fnmatch.fnmatch(path.name, pattern) for pattern in ignored)
    }
    assert found == TOP_LEVEL


def test_no_source_file_has_become_two_subjects() -> None:
    lines = {name_in_tree(path): path.read_text(encoding="utf-8").count("\n") for path in [*PASSIM_FILES, *APPS_FILES]}
    assert {name: count for name, count in lines.items() if count > LONGEST_FILE_LINES} == {}, "split them by subject"


# --- hosts ------------------------------------------------------------------------------------------------------------

# A web address in a text is a request waiting to happen. These are names only (XML namespaces), this machine itself,
# the addresses and names that RFC 5737, 3849 and 6761 keep for examples, or an address in the house (RFC 1918).
NAMES_ONLY = ("www.w3.org/", "www.topografix.com/GPX/")
OWN_OR_EXAMPLE = re.compile(
    r"(localhost|127\.\d+\.\d+\.\d+|0\.0\.0\.0|\[::1?\]|192\.0\.2\.\d+|198\.51\.100\.\d+|203\.0\.113\.\d+"
    r"|192\.168\.\d+\.\d+"
    r"|([a-z0-9-]+\.)*(example(\.(com|net|org))?|test|invalid))(?=$|[:/])"
)
WEB_ADDRESS = re.compile(r"\b(?:https?|wss?|ftp)://([^\s\"'<>`)]*)", re.IGNORECASE)
BARE_ADDRESS = re.compile(r"(?<![\d.])(\d{1,3}\.\d{1,3}\.\d{1,3}\.\d{1,3})(?![\d.])")


def hosts_named(text: str) -> list[str]:
    """Return the web and IPv4 addresses in a text that lead to another machine."""
    named = [match[1] for match in WEB_ADDRESS.finditer(text)] + BARE_ADDRESS.findall(text)
    return [
        host
        for host in named
        if host and not host.startswith((*NAMES_ONLY, "{", "%")) and not OWN_OR_EXAMPLE.match(host)
    ]


def texts_of(path: Path) -> list[str]:
    """The texts of a source file that can reach a socket: for Python the string constants without the docstrings."""
    text = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        return [re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)]
    tree = ast.parse(text)
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, documented) and node.body and isinstance(node.body[0], ast.Expr)
    }
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings
    ]


def test_no_source_names_a_host() -> None:
    """passim talks to a host only where its user named it."""
    sources = [path for folder in ("passim", "apps") for path in sorted((ROOT / folder).rglob("*"))]
    sources = [path for path in sources if path.suffix in (".py", ".js", ".css", ".html", ".svg")]
    assert len(sources) > len(PASSIM_FILES) + len(APPS_FILES)
    named = {name_in_tree(path): [host for text in texts_of(path) for host in hosts_named(text)] for path in sources}
    assert {name: hosts for name, hosts in named.items() if hosts} == {}


def test_the_host_check_can_tell() -> None:
    assert hosts_named("see https://elements.example.org/all.json or http://127.0.0.1:8050/ or http://{host}/") == []
    assert hosts_named('xmlns="http://www.w3.org/2000/svg"') == []
    assert hosts_named("https://somewhere.net/x") == ["somewhere.net/x"]
    assert hosts_named("http://localhost.somewhere.net/") == ["localhost.somewhere.net/"]
    assert hosts_named("ping 9.9.9.9") == ["9.9.9.9"]


# --- the tests themselves ---------------------------------------------------------------------------------------------


def test_no_test_reaches_another_machine() -> None:
    """192.0.2.1 is kept for documentation (RFC 5737), so even an unguarded attempt would reach nobody."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as tcp:
        tcp.settimeout(0.2)
        with pytest.raises(pytest.fail.Exception, match="no test may need the network"):
            tcp.connect(("192.0.2.1", 80))
        with pytest.raises(pytest.fail.Exception, match="no test may need the network"):
            tcp.connect_ex(("192.0.2.1", 80))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as udp, pytest.raises(pytest.fail.Exception):
        udp.sendto(b"x", ("192.0.2.1", 9))
    with pytest.raises(pytest.fail.Exception, match="no test may need the network"):
        socket.create_connection(("elements.example", 443), timeout=0.2)


def test_a_test_may_talk_to_its_own_server() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server, socket.create_connection(server.getsockname()[:2]) as client:
        assert client.getpeername() == server.getsockname()


def test_ci_runs_the_same_command_as_a_contributor() -> None:
    text = (ROOT / ".ci/run").read_text(encoding="utf-8")
    assert "tests/run" in text
    assert os.access(ROOT / ".ci/run", os.X_OK)
