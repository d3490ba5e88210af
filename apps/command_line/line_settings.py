"""What the workspace says of the line, read in a process that ends: the probe itself must stay small.

    python -m passim_apps.command_line.line_settings [DIR]

prints folder, journal, targets, every_s, ntp_server and zone as JSON; faults are told as any command tells them.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

from .main import report_fault


def read_aside(workspace_dir: str | None) -> dict[str, Any]:
    """Return what the workspace says of the line; leave with the status of the process that could not read it."""
    words = [sys.executable, "-m", __name__, *([workspace_dir] if workspace_dir is not None else [])]
    done = subprocess.run(words, stdout=subprocess.PIPE, check=False)
    if done.returncode:
        sys.exit(done.returncode)
    settings: dict[str, Any] = json.loads(done.stdout)
    return settings


def _settings(workspace_dir: str | None) -> dict[str, Any]:
    from .parsing import needed_workspace

    workspace = needed_workspace(workspace_dir)
    return {
        "journal": str(workspace.journal_file),
        **workspace.line.model_dump(),
        "zone": workspace.site().timezone if workspace.site_names else "UTC",
    }


def main() -> None:
    try:
        print(json.dumps(_settings(sys.argv[1] if len(sys.argv) > 1 else None)))
    except Exception as error:
        sys.exit(report_fault(error))


if __name__ == "__main__":
    main()
