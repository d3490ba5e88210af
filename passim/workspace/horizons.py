"""A surveyed horizon becomes that of a mounting spot: written whole beside the workspace file, then named in it."""

from __future__ import annotations

import re
from typing import Any, Final

import tomlkit

from passim.errors import WorkspaceError
from passim.sky.horizon import Horizon
from passim.sky.survey_files import write_horizon
from passim.workspace.folder import Workspace

# A spot says what its horizon is in one of these ways.
_WAYS: Final = ("mask_deg", "horizon_file", "horizon")
_LONGEST_NAME: Final = 60
_MOST_FILES: Final = 500


def keep_horizon(workspace: Workspace, site_name: str, spot: str, horizon: Horizon) -> tuple[Workspace, str]:
    """Make `horizon` that of a mounting spot; return the workspace as it then is, and the name of the file written.

    The file is called after site and spot, under letters, digits and dashes alone, so that no name leads elsewhere. It
    replaces a file that this function wrote for this spot before and that nothing else uses; any other stays, and the
    new one takes the next number. An assumption about the spot's horizon goes, because it is one no longer. Raises
    WorkspaceError, or SiteError where the file cannot be written, and leaves the workspace as it was.
    """
    site = next((s for s in workspace.settings.sites if s.name.casefold() == site_name.strip().casefold()), None)
    place = next((p for p in site.spots if p.name.casefold() == spot.strip().casefold()), None) if site else None
    if site is None or place is None:
        raise WorkspaceError("mounting spot", got=f"{site_name}, {spot}", wanted="a spot of the workspace")
    file_name = _file_name(workspace, site.name, place.name, place.horizon_file)
    write_horizon(horizon, workspace.folder / file_name)

    def change(document: tomlkit.TOMLDocument) -> None:
        entry = _entry(_entry(document["sites"], site.name)["spots"], place.name)
        for way in _WAYS:
            if way in entry:
                del entry[way]
        entry["horizon_file"] = file_name
        told = {f"sites.{site.name}.spots.{place.name}.{way}" for way in _WAYS}
        assumptions: Any = document.get("assumptions", [])
        for k in reversed(range(len(assumptions))):
            if assumptions[k].get("setting") in told:
                del assumptions[k]
        if "assumptions" in document and not len(assumptions):
            del document["assumptions"]

    return workspace.edit(change), file_name


def _file_name(workspace: Workspace, site_name: str, spot: str, present: str | None) -> str:
    """Return the name of the file to write: one that nothing else uses. Raises WorkspaceError."""
    words = "-".join(re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-").lower() or "site" for text in (site_name, spot))
    stem = f"horizon-{words[:_LONGEST_NAME]}"
    settings = workspace.settings
    skylines = [*settings.gateways, *(place for site in settings.sites for place in site.spots)]
    named = [skyline.horizon_file for skyline in skylines if skyline.horizon_file is not None]
    own = re.compile(rf"{re.escape(stem)}(-\d+)?\.csv")
    if present is not None and own.fullmatch(present) and named.count(present) == 1:
        return present
    for number in range(1, _MOST_FILES):
        name = f"{stem}.csv" if number == 1 else f"{stem}-{number}.csv"
        if name not in named and not (workspace.folder / name).exists():
            return name
    raise WorkspaceError(f"horizon files in {workspace.folder}", got=f"over {_MOST_FILES}", wanted="fewer")


def _entry(entries: Any, name: str) -> Any:
    """Return the entry of that name. Raises WorkspaceError where another program took it away meanwhile."""
    for entry in entries:
        if str(entry.get("name", "")).casefold() == name.casefold():
            return entry
    raise WorkspaceError("workspace", got=f"no {name} any more", wanted="it there", try_next="again")
