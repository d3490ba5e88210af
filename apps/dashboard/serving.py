"""The server: waitress, one process with threads, on loopback or, with a password, on the local network."""

from __future__ import annotations

import contextlib
import gc
import ipaddress
import socket
import tempfile
import threading
import webbrowser
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from passim.errors import InputError
from passim.workspace import Workspace, create

from ..figures.theme import LIGHT

if TYPE_CHECKING:
    from .page_model import Page
    from .state import DashboardState

THREADS: Final = 6
DEFAULT_PORT: Final = 8750


@contextlib.contextmanager
def opened_workspace(path: str | None) -> Iterator[tuple[Workspace, bool]]:
    """Give the workspace to serve, and whether it is the invented demonstration, which is gone at the end.

    Raises WorkspaceError for a folder that holds none.
    """
    found = Workspace.find(path)
    if found is not None:
        yield found, False
        return
    with tempfile.TemporaryDirectory(prefix="passim-demonstration-") as folder:
        yield create(Path(folder) / "invented", demo=True), True


def listening_socket(host: str, port: int) -> socket.socket:
    """Return a socket that listens at a port of an address; port 0 takes a free one. Raises InputError."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(128)
    except (OSError, OverflowError) as error:
        listener.close()
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"port for the dashboard: {why.lower()}", got=port, wanted="a free port", try_next="--port 0, any free one"
        ) from None
    return listener


def lan_addresses() -> list[str]:
    """Return the addresses of this machine on its local networks, the one towards the default route first."""
    found: list[str] = []
    # Connecting a datagram socket sends nothing; it only asks which way a packet would go (RFC 5737 address).
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))
        found.append(probe.getsockname()[0])
    with contextlib.suppress(OSError):
        found += [str(entry[4][0]) for entry in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    seen = dict.fromkeys(found)
    return [text for text in seen if not ipaddress.ip_address(text).is_loopback]


def look_ahead(state: DashboardState, page: Page) -> None:
    """Work out what a page shows where nothing is chosen, so that it is there when somebody asks."""
    from .address import Choices
    from .state import Pending

    # Whoever opens the page is told what is the matter.
    with contextlib.suppress(Pending, InputError):
        page.answer(state.question(Choices()), LIGHT)


def run(
    *,
    port: int,
    workspace: str | None,
    lan: bool,
    browser: bool,
    at: datetime | None,
    tell: Callable[[str], None],
) -> None:
    """Serve the dashboard until it is interrupted. Raises InputError."""
    from waitress.server import create_server

    from . import pages
    from .factory import make_app
    from .security import LARGEST_REQUEST_BYTES, Password, hosts_of
    from .state import DashboardState

    with opened_workspace(workspace) as (found, invented), contextlib.ExitStack() as stack:
        listener = stack.enter_context(listening_socket("0.0.0.0" if lan else "127.0.0.1", port))
        port = listener.getsockname()[1]
        state = DashboardState(found, invented=invented, at=at)
        stack.callback(state.close)
        addresses = lan_addresses() if lan else []
        password = None
        if lan:
            password = Password(lambda word: tell(f"One-time password: {word}"))
        app = make_app(state, hosts=hosts_of(port, addresses), password=password)
        server: Any = create_server(
            app.server,
            sockets=[listener],
            threads=THREADS,
            ident=None,
            max_request_body_size=LARGEST_REQUEST_BYTES,
            clear_untrusted_proxy_headers=True,
        )
        address = f"http://{addresses[0] if addresses else '127.0.0.1'}:{port}/"
        tell(f"passim's dashboard: {address}  (Ctrl-C ends it)")
        if lan:
            tell(
                "Open that address on the phone and give the password. Plain HTTP is not encrypted: trust the network."
            )
        if invented:
            tell("No workspace here: this is the invented demonstration, and what you load into it is gone at the end.")
        # What has been made so far stays: see the command.
        gc.freeze()
        gc.enable()
        # The first page is worked out while the browser reads its scripts.
        threading.Thread(target=look_ahead, args=(state, pages.PAGES[0]), name="passim-ahead", daemon=True).start()
        if browser and not lan:
            webbrowser.open(address)
        with contextlib.suppress(KeyboardInterrupt):
            server.run()
        server.close()
