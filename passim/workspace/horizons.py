"""A surveyed horizon becomes that of a mounting spot: written whole beside the workspace file, then named in it."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, Final, NamedTuple

import tomlkit

from passim.errors import InputError, WorkspaceError
from passim.sky.horizon import Horizon
from passim.sky.survey_files import write_horizon
from passim.workspace import saving
from passim.workspace.folder import Workspace

# A spot says what its horizon is in one of these ways.
_WAYS: Final = ("mask_deg", "horizon_file", "horizon")
_LONGEST_NAME: Final = 60
_MOST_FILES: Final = 500


class KeptHorizon(NamedTuple):
    """The workspace with a horizon kept, the name of its file, and of that with the horizon before, if any."""

    workspace: Workspace
    file_name: str
    before_name: str | None


def keep_horizon(workspace: Workspace, site_name: str, spot: str, horizon: Horizon) -> KeptHorizon:
    """Make `horizon` that of a mounting spot; return the workspace as it then is, and which files hold which horizon.

    The file is called after site and spot, under letters, digits and dashes alone, so that no name leads elsewhere. It
    replaces no other: the file with the spot's horizon before stays, and one that was a mask or points in the workspace
    file is written beside it, so that there is a way back. An assumption about the spot's horizon goes, because it is
    one no longer. Raises WorkspaceError, or SiteError where a file cannot be written or the horizon before cannot be
    read, and leaves the workspace as it was.
    """
    change, written, before_name = _keeping(workspace, site_name, spot, horizon)
    try:
        for name, points in written.items():
            write_horizon(points, workspace.folder / name)
        return KeptHorizon(workspace.edit(change), list(written)[-1], before_name)
    except InputError:
        # Files that no workspace names would only be in the way; none of these was there before.
        for name in written:
            (workspace.folder / name).unlink(missing_ok=True)
        raise


def would_keep(workspace: Workspace, site_name: str, spot: str, horizon: Horizon) -> list[str]:
    """Return the lines of the file that `keep_horizon` would change, as `changes_since` has them. Raises as it does."""
    change, _, _ = _keeping(workspace, site_name, spot, horizon)
    # The new text cannot be read yet: the file that it names is written with it.
    old = workspace.text
    return saving.differences(old, saving.of_document(change)(old))


def _keeping(
    workspace: Workspace, site_name: str, spot: str, horizon: Horizon
) -> tuple[Callable[[tomlkit.TOMLDocument], None], dict[str, Horizon], str | None]:
    """Return what keeping does to the document, the files it writes, the horizon's own last, and the name of the one
    with the horizon before; None where nobody had entered any.
    """
    site, place = workspace.site_settings(site_name), workspace.spot_settings(site_name, spot)
    words = plain_words(site.name, place.name)
    file_name, before_name = free_name(workspace, f"horizon-{words}"), place.horizon_file
    written = {file_name: horizon}
    if before_name is None and not place.horizon_unknown:
        before_name = free_name(workspace, f"horizon-before-{words}", file_name)
        written = {before_name: workspace.site(site.name, place.name).horizon, **written}

    def change(document: tomlkit.TOMLDocument) -> None:
        entry = _entry(_entry(document["sites"], site.name)["spots"], place.name)
        for way in _WAYS:
            if way in entry:
                del entry[way]
        entry["horizon_file"] = file_name
        named = {f"sites.{site.name}.spots.{place.name}.{way}" for way in _WAYS}
        assumptions: Any = document.get("assumptions", [])
        for k in reversed(range(len(assumptions))):
            if assumptions[k].get("setting") in named:
                del assumptions[k]
        if "assumptions" in document and not len(assumptions):
            del document["assumptions"]

    return change, written, before_name


def free_name(workspace: Workspace, stem: str, *taken: str) -> str:
    """Return the name of a file to write: one that nothing else uses. Raises WorkspaceError."""
    settings = workspace.settings
    skylines = [*settings.gateways, *(place for site in settings.sites for place in site.spots)]
    named = {*taken, *(skyline.horizon_file for skyline in skylines)}
    for number in range(1, _MOST_FILES):
        name = f"{stem}.csv" if number == 1 else f"{stem}-{number}.csv"
        if name not in named and not (workspace.folder / name).exists():
            return name
    raise WorkspaceError(f"horizon files in {workspace.folder}", got=f"over {_MOST_FILES}", wanted="fewer")


def plain_words(*names: str) -> str:
    """Return names as part of a file's name: letters, digits and dashes alone."""
    words = (re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-").lower() or "site" for text in names)
    return "-".join(words)[:_LONGEST_NAME]


def _entry(entries: Any, name: str) -> Any:
    """Return the entry of that name. Raises WorkspaceError where another program took it away meanwhile."""
    for entry in entries:
        if str(entry.get("name", "")).casefold() == name.casefold():
            return entry
    raise WorkspaceError("workspace", got=f"no {name} any more", wanted="it there", try_next="again")
