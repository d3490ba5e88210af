"""New sites, mounting spots and gateways in a workspace file: written beside their like, every remark kept.

A new section goes in as text, right behind the last one of its kind and before the remarks that lead to what follows.
The file that comes out is read again, and must say just what it said before and the new section.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

import tomlkit

from passim.errors import InputError, WorkspaceError
from passim.sky.horizon import Horizon
from passim.sky.limits import Gateway
from passim.sky.survey_files import write_horizon
from passim.workspace import saving
from passim.workspace.checking import settings_of
from passim.workspace.creating import gateway_section, site_section, spot_section, under
from passim.workspace.folder import Workspace
from passim.workspace.horizons import free_name, keep_horizon, plain_words
from passim.workspace.lines import LineNumbers
from passim.workspace.settings import SiteSettings, SpotSettings

_SITES: Final = "sites"
_HEADING: Final = "# ---- "


def add_site(workspace: Workspace, site: SiteSettings) -> Workspace:
    """Add a site with its one spot, behind those there are, and return the workspace as it then is.

    A horizon file of the site is named from the current folder, and copied into the workspace. Raises WorkspaceError,
    or SiteError for a horizon file that cannot be used, and leaves the workspace as it was.
    """
    first = site.spots[0]
    horizon = None if first.horizon_file is None else Horizon.from_csv(first.horizon_file)

    def write(file_name: str | None) -> Workspace:
        placed = site if file_name is None else under(site, horizon_file=file_name)
        return _inserted(workspace.file, site_section(placed), (_SITES,))

    return _with_horizon(workspace, horizon, (site.name, first.name), write)


def add_spot(
    workspace: Workspace, site_name: str, name: str, *, mask_deg: float | None = None, horizon: Horizon | None = None
) -> Workspace:
    """Add a mounting spot to a site, behind those it has, and return the workspace as it then is.

    Its horizon is flat at `mask_deg`, or `horizon`, which is written into a file beside the workspace's; with neither
    its roof line is left open. Raises WorkspaceError, and leaves the workspace as it was.
    """
    site = workspace.site_settings(site_name)
    place = workspace.settings.sites.index(site)

    def write(file_name: str | None) -> Workspace:
        skyline = {"mask_deg": mask_deg} if file_name is None else {"horizon_file": file_name}
        spot = settings_of(SpotSettings, {"name": name, **skyline}, "new mounting spot")
        return _inserted(workspace.file, spot_section(spot), (_SITES, place, "spots"))

    return _with_horizon(workspace, horizon, (site.name, name), write)


def site_and_spot(workspace: Workspace, text: str) -> tuple[str, str]:
    """Return the site of the workspace and the name of the spot that "SITE/SPOT" means; names may hold a "/".

    Raises WorkspaceError where it begins with no site of the workspace, or names no spot.
    """
    begins = [name for name in workspace.site_names if text.casefold().startswith(f"{name.casefold()}/")]
    site_name = max(begins, key=len, default="")
    spot = text[len(site_name) + 1 :].strip()
    if not begins or not spot:
        known = workspace.site_names[0] if workspace.site_names else "a site"
        raise WorkspaceError(
            "mounting spot", got=text, wanted="SITE/SPOT, with a site of the workspace", try_next=f"{known}/roof"
        )
    return site_name, spot


def keep_horizon_as(workspace: Workspace, text: str, horizon: Horizon) -> Workspace:
    """Keep a horizon as that of "SITE/SPOT": of a spot that is there, else of a new one. Raises as `add_spot`."""
    site_name, spot = site_and_spot(workspace, text)
    if spot.casefold() in (name.casefold() for name in workspace.spot_names(site_name)):
        return keep_horizon(workspace, site_name, spot, horizon).workspace
    return add_spot(workspace, site_name, spot, horizon=horizon)


def add_gateway(workspace: Workspace, gateway: Gateway, for_sites: Sequence[str] = ()) -> Workspace:
    """Add a gateway behind those there are, and return the workspace as it then is.

    It counts for every site that lists no gateways, and for those of `for_sites`, whose lists it joins. Raises
    WorkspaceError, and leaves the workspace as it was.
    """
    listing = {}
    for name in for_sites:
        found = workspace.site_settings(name)
        if found.gateways is not None:
            listing[found.name] = [*found.gateways, gateway.name]
    return _inserted(workspace.file, gateway_section(gateway), ("gateways",), listing)


def _with_horizon(
    workspace: Workspace, horizon: Horizon | None, names: tuple[str, str], write: Callable[[str | None], Workspace]
) -> Workspace:
    """Write a horizon's file first, if there is one, then the section that names it; take it away if that fails."""
    if horizon is None:
        return write(None)
    file_name = free_name(workspace, f"horizon-{plain_words(*names)}")
    try:
        write_horizon(horizon, workspace.folder / file_name)
        return write(file_name)
    except InputError:
        (workspace.folder / file_name).unlink(missing_ok=True)
        raise


def _inserted(
    file: Path, section: str, kind: tuple[str | int, ...], listing: dict[str, list[str]] | None = None
) -> Workspace:
    """Put a section into the file behind the last of its kind, renew lists of gateways, and return the workspace."""

    def change(text: str) -> str:
        new = with_section(text, section, kind)
        if listing:
            document: Any = tomlkit.parse(new)
            for site in document[_SITES]:
                if site["name"] in listing:
                    site["gateways"] = listing[site["name"]]
            new = tomlkit.dumps(document)
        return new

    saving.edit_text(file, change)
    return Workspace.load(file)


def with_section(text: str, section: str, kind: tuple[str | int, ...]) -> str:
    """Return a file's text with one more table of an array of tables. Raises WorkspaceError for one in one line."""
    wanted: Any = tomllib.loads(text)
    added: Any = tomllib.loads(section)
    here = wanted
    for key in kind[:-1]:
        here = here[key]
    entries = added
    for key in kind:
        entries = entries[key] if isinstance(key, str) else entries
    here.setdefault(kind[-1], []).extend(entries)

    lines = text.splitlines()
    at = after_last_setting(lines, LineNumbers(text).tables(), kind)
    block = ["", *section.rstrip("\n").split("\n")]
    new = "\n".join([*lines[:at], *block, *lines[at:]]) + "\n"
    try:
        good = tomllib.loads(new) == wanted
    except tomllib.TOMLDecodeError:
        good = False
    if not good:
        raise WorkspaceError(
            f"sections {kind[0]} of the workspace file",
            got="a list in one line, or a text that looks like a section",
            wanted=f"sections that begin with [[{kind[0]}]]",
            try_next="adding it by hand",
        )
    return new


def after_last_setting(lines: list[str], tables: dict[tuple[str | int, ...], int], kind: tuple[str | int, ...]) -> int:
    """Return behind how many lines the last setting of the last table of `kind`, or below it, stands."""
    own = [line for place, line in tables.items() if place[: len(kind)] == kind]
    if not own:
        # The first of its kind: behind the table that holds it, else at the end of the file.
        own = [line for place, line in tables.items() if len(kind) > 1 and place[: len(kind) - 1] == kind[:-1]]
    if not own:
        return _under_heading(lines, str(kind[-1]))
    first = max(own)
    end = min((line - 1 for line in tables.values() if line > first), default=len(lines))
    while end > first and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    return end


def _under_heading(lines: list[str], name: str) -> int:
    """Return behind how many lines the remarks under the heading of such sections end; all of them without one."""
    headings = [k for k, line in enumerate(lines) if line.startswith(_HEADING)]
    own = next((k for k in headings if lines[k].removeprefix(_HEADING).startswith(name)), None)
    if own is None:
        return len(lines)
    end = next((k for k in headings if k > own), len(lines))
    while not lines[end - 1].strip():
        end -= 1
    return end
