"""The key of a workspace's calendar address: whoever has it may read the suggested calls, and nothing else.

It is drawn at random, lies in a file of its own that only its owner may read, and holds until it is withdrawn.
"""

from __future__ import annotations

import hmac
import re
import secrets
from pathlib import Path
from typing import Final

from passim.elements.atomic import write_atomically
from passim.workspace.folder import Workspace
from passim.workspace.kept_files import not_written

FILE_NAME: Final = ".calendar-key"
# 256 random bits, which nobody finds by trying.
_KEY_BYTES: Final = 32
_A_KEY: Final = re.compile(r"[\w-]{43}", re.ASCII)


def calendar_key(workspace: Workspace) -> str | None:
    """Return the key that holds now; None where there is none, or where its file does not hold one."""
    try:
        text = _file(workspace).read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return None
    return text if _A_KEY.fullmatch(text) else None


def is_calendar_key(workspace: Workspace, given: str) -> bool:
    """Say whether `given` is the key that holds now; how long that takes tells nothing of it."""
    key = calendar_key(workspace)
    return key is not None and hmac.compare_digest(key.encode(), given.encode("utf-8", "replace"))


def new_calendar_key(workspace: Workspace) -> str:
    """Draw a key, which takes the place of the one before, and return it. Raises WorkspaceError."""
    key, file = secrets.token_urlsafe(_KEY_BYTES), _file(workspace)
    try:
        write_atomically(file, f"{key}\n".encode(), private=True)
    except OSError as error:
        raise not_written(f"folder {workspace.folder}", error) from None
    return key


def withdraw_calendar_key(workspace: Workspace) -> bool:
    """Take the key away, so that its addresses answer nobody any more; say whether there was one.

    Raises WorkspaceError.
    """
    try:
        _file(workspace).unlink()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise not_written(f"folder {workspace.folder}", error) from None
    return True


def _file(workspace: Workspace) -> Path:
    return workspace.folder / FILE_NAME
