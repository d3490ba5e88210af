"""``passim dashboard``: the pages, in a browser."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..command_line.options import at_option, workspace_option
from ..command_line.usage import WholeBetween

if TYPE_CHECKING:
    from ..dashboard import serving


@click.command("dashboard", short_help="The pages in a browser.")
@workspace_option
@click.option("--port", type=WholeBetween(0, 65535), default=8750, show_default=True, help="Port; 0 picks a free one.")
@click.option("--lan", is_flag=True, help="Also answer on the local network: encrypted, with a one-time password.")
@click.option(
    "--certificate",
    metavar="FILE",
    help="With --lan, the certificate to encrypt by (PEM); without, passim signs one itself.",
)
@click.option("--key", metavar="FILE", help="Its private key, where FILE does not hold it.")
@click.option("--no-tls", is_flag=True, help="With --lan, plain http: anybody on that network can read along.")
@click.option("--no-browser", is_flag=True, help="Do not open the browser.")
@at_option
def dashboard(
    workspace_dir: str | None,
    port: int,
    lan: bool,
    certificate: str | None,
    key: str | None,
    no_tls: bool,
    no_browser: bool,
    at_text: str | None,
) -> None:
    """Open the dashboard: is this a good moment, when are the gaps, how do sites compare, what is loaded.

    It is served on this machine alone; --lan lets a phone on the same network open it too, over TLS and with the
    password it prints. The phone warns of a certificate that passim signed itself: compare the fingerprint printed.
    Nothing is fetched from anywhere. Without a workspace it shows the invented demonstration; in a folder without one,
    named by --workspace, the pages begin it. With --at its clock starts at that time and runs on: a rehearsal.

    \b
    Example:
      passim dashboard
      passim dashboard --workspace school --lan
      passim dashboard --at 2026-11-25T08:00Z --port 8800 --no-browser
    """
    import gc

    # What starting makes stays until the end: looking through it for garbage would take a tenth of the start.
    gc.disable()
    from ..dashboard.tasks import early_workers

    pool = early_workers()
    try:
        from passim.workspace import Workspace

        from ..command_line.output import echo_err
        from ..command_line.parsing import now_of, zone_of_site
        from ..dashboard import serving

        # Without a workspace the invented demonstration is shown, by the clocks of its own islands.
        def zone() -> str:
            return zone_of_site(None, None, workspace_dir) or Workspace.demo().site().timezone

        at = now_of(at_text, zone) if at_text else None
        network = _network(lan, certificate, key, no_tls)
        serving.run(
            port=port, workspace=workspace_dir, network=network, browser=not no_browser, at=at, tell=echo_err,
            pool=pool, command=shlex.join(["passim", *sys.argv[1:]]),
        )  # fmt: skip
    finally:
        pool.close()
        gc.enable()


def _network(lan: bool, certificate: str | None, key: str | None, no_tls: bool) -> serving.Network | None:
    """Return how the local network is served, None for not at all. Raises UsageError."""
    from ..dashboard.serving import Network

    given = [
        name for name, is_given in (("--certificate", certificate), ("--key", key), ("--no-tls", no_tls)) if is_given
    ]
    if not lan:
        if given:
            raise click.UsageError(f"{given[0]} is of the local network: give --lan too.")
        return None
    if no_tls and len(given) > 1:
        raise click.UsageError(f"{given[0]} and --no-tls exclude each other: give one of them.")
    if key is not None and certificate is None:
        raise click.UsageError("--key is that of a certificate: give --certificate too.")
    return Network(Path(certificate) if certificate else None, Path(key) if key else None, encrypted=not no_tls)
