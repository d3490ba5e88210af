"""Element files that are handed in become a fleet of the workspace: written whole, then named in its file."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import tomlkit
from tomlkit.items import AoT

from passim.elements.atomic import write_atomically
from passim.elements.files import READ_SUFFIXES
from passim.errors import WorkspaceError
from passim.workspace.folder import Workspace

FOLDER: Final = "elements"
_MOST_FLEETS: Final = 64
_LONGEST_NAME: Final = 40


def add_fleet(workspace: Workspace, files: Sequence[tuple[str, bytes]], name: str | None = None) -> str:
    """Keep files as a new fleet of a workspace and return its name, that of the first file unless given.

    `files` are (file name, content) pairs whose content has been read and found good. They go into a folder of their
    own below the workspace's folder ``elements``, under names that are letters, digits, dots and dashes alone, so that
    no name leads elsewhere. A fleet that was added before keeps its files; the new one is called by the next number.
    Raises WorkspaceError, and leaves the workspace as it was, where it has too many fleets or cannot be written.
    """
    if not files:
        raise WorkspaceError("fleet to add", got="no file", wanted="at least one")
    if len(workspace.fleet_names) >= _MOST_FLEETS:
        raise WorkspaceError(
            "fleets of the workspace", got=len(workspace.fleet_names), wanted=f"at most {_MOST_FLEETS}",
            try_next="taking one out of its file",
        )  # fmt: skip
    stem = plain_name(name or files[0][0])[0]
    folder = workspace.folder / FOLDER
    taken = {known.casefold() for known in workspace.fleet_names}
    number = 1
    try:
        while True:
            fleet_name = stem if number == 1 else f"{stem} {number}"
            place = folder / fleet_name.replace(" ", "-")
            if fleet_name.casefold() not in taken:
                try:
                    place.mkdir(parents=True)
                    break
                except FileExistsError:
                    pass
            number += 1
        _write(place, files)
    except OSError as error:
        raise WorkspaceError(
            f"folder {folder} cannot be written: {error.strerror}", try_next="a folder of your own"
        ) from None

    def change(document: tomlkit.TOMLDocument) -> None:
        table = tomlkit.table()
        table["name"], table["elements"] = fleet_name, [f"{FOLDER}/{place.name}"]
        fleets = document.get("fleets")
        if isinstance(fleets, AoT):
            fleets.append(table)
        else:
            made = tomlkit.aot()
            made.append(table)
            document["fleets"] = made

    try:
        workspace.edit(change)
    except WorkspaceError:
        for file in place.iterdir():
            file.unlink()
        place.rmdir()
        raise
    return fleet_name


def plain_name(file_name: str) -> tuple[str, str]:
    """Return a file's name without folders, suffixes and odd letters, and its suffix as `read_elements` knows it."""
    last = re.split(r"[\\/]", file_name)[-1]
    gz = ".gz" if last.lower().endswith(".gz") else ""
    stem = last[: len(last) - len(gz)]
    suffix = Path(stem).suffix.lower()
    if suffix in READ_SUFFIXES:
        stem = stem[: len(stem) - len(suffix)]
    else:
        suffix = ".txt"
    stem = re.sub(r"[^A-Za-z0-9.-]+", "-", stem).strip(".-")[:_LONGEST_NAME]
    # A folder passes over hidden files and those called README.
    if not stem or stem.upper().startswith("README"):
        stem = f"fleet-{stem}".rstrip("-")
    return stem, f"{suffix}{gz}"


def _write(place: Path, files: Sequence[tuple[str, bytes]]) -> None:
    for count, (name, data) in enumerate(files, 1):
        stem, suffix = plain_name(name)
        write_atomically(place / f"{count}-{stem}{suffix}", data)
