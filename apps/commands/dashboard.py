"""``passim dashboard``: the pages, in a browser."""

from __future__ import annotations

import click

from ..command_line.options import at_option, workspace_option
from ..command_line.usage import WholeBetween


@click.command("dashboard", short_help="The pages in a browser.")
@workspace_option
@click.option("--port", type=WholeBetween(0, 65535), default=8750, show_default=True, help="Port; 0 picks a free one.")
@click.option("--lan", is_flag=True, help="Also answer on the local network, with a one-time password.")
@click.option("--no-browser", is_flag=True, help="Do not open the browser.")
@at_option
def dashboard(workspace_dir: str | None, port: int, lan: bool, no_browser: bool, at_text: str | None) -> None:
    """Open the dashboard: is this a good moment, when are the gaps, how do sites compare, what is loaded.

    It is served on this machine alone; --lan lets a phone on the same network open it too, with the password it prints.
    Nothing is fetched from anywhere. Without a workspace it shows the invented demonstration. With --at its clock
    starts at that time and runs on: a rehearsal.

    \b
    Example:
      passim dashboard
      passim dashboard --workspace school --lan
      passim dashboard --at 2026-11-25T08:00Z --port 8800 --no-browser
    """
    import gc

    # What starting makes stays until the end: looking through it for garbage would take a tenth of the start.
    gc.disable()
    try:
        from passim.workspace import Workspace

        from ..command_line.output import tell
        from ..command_line.parsing import now_of, zone_of_site
        from ..dashboard import serving

        # Without a workspace the invented demonstration is shown, by the clocks of its own islands.
        def zone() -> str:
            return zone_of_site(None, None, workspace_dir) or Workspace.demo().site().timezone

        at = now_of(at_text, zone) if at_text else None
        serving.run(port=port, workspace=workspace_dir, lan=lan, browser=not no_browser, at=at, tell=tell)
    finally:
        gc.enable()
