"""Try the wheel and the source archive in bare environments, with every Python that is here and new enough.

    .venv/bin/python -m tests.packing_trial [PYTHON ...]

Apart from the tests, because it installs what passim needs from the package index that pip is set up for. For each
Python it makes an empty virtual environment, installs the wheel alone, and runs the demonstration; then another from
the source archive, with the extras that tests ask for, Parquet too, and runs the tests of some rooms out of the
unpacked archive.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

from tests import wheels

_NAMES = tuple(f"python3.{minor}" for minor in range(11, 20))
_ROOMS = ("tests/test_spans.py", "tests/test_intervals.py", "tests/test_samples.py", "tests/test_line_files.py")
_PIP = ("-m", "pip", "--quiet", "--disable-pip-version-check", "install")


def pythons() -> list[str]:
    """Return the Pythons on the path that start, each once, oldest first; of one version the first."""
    found: dict[str, str] = {}
    for name in _NAMES:
        path = shutil.which(name)
        told = path and subprocess.run(
            [path, "-c", "import ensurepip, sys, venv; print(sys.executable)"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if told and told.returncode == 0:
            found.setdefault(name, told.stdout.strip())
    return list(found.values())


def run(*command: object, cwd: Path) -> str:
    """Run a command, and end the trial with what it said where it fails."""
    answer = subprocess.run([str(part) for part in command], cwd=cwd, capture_output=True, text=True, check=False)
    if answer.returncode != 0:
        sys.exit(f"{' '.join(map(str, command))}\n{answer.stdout}{answer.stderr}")
    return answer.stdout


def bare(python: str, place: Path) -> Path:
    """Make an empty virtual environment at `place`, and return its Python."""
    run(python, "-m", "venv", place, cwd=place.parent)
    return place / "bin" / "python"


def main() -> None:
    """Try each Python in turn; the first failure ends the trial with status 1."""
    wheel, archive = wheels.wheel(), wheels.source_archive()
    for python in sys.argv[1:] or pythons():
        with tempfile.TemporaryDirectory(prefix="passim-packing-") as folder:
            place = Path(folder)
            own = bare(python, place / "wheel")
            version = run(own, "-c", "import sys; print(sys.version.split()[0])", cwd=place).strip()
            run(own, *_PIP, wheel, cwd=place)
            headline = run(place / "wheel/bin/passim", "demo", cwd=place).splitlines()[0]
            print(f"{version}  wheel: {headline}", flush=True)

            own = bare(python, place / "archive")
            with tarfile.open(archive) as opened:
                opened.extractall(place, filter="data")
            [tree] = place.glob("passim-*")
            run(own, *_PIP, f"{tree}[test,cluster,parquet]", cwd=place)
            told = run(own, "-m", "pytest", "-q", *_ROOMS, cwd=tree).splitlines()[-1]
            print(f"{version}  source archive: {told}", flush=True)


if __name__ == "__main__":
    main()
