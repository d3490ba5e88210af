"""The server: waitress, one process with threads, on loopback or, with a password, on the local network."""

from __future__ import annotations

import contextlib
import gc
import ipaddress
import shutil
import socket
import tempfile
import threading
import webbrowser
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final

from passim.errors import InputError
from passim.workspace import Workspace, create

from ..figures.theme import LIGHT

if TYPE_CHECKING:
    from .page_model import Page
    from .state import DashboardState

THREADS: Final = 6
DEMONSTRATION: Final = "passim-demonstration-"
IN_USE: Final = "in-use"


@contextlib.contextmanager
def opened_workspace(path: str | None, at: datetime | None) -> Iterator[tuple[Workspace, bool]]:
    """Give the workspace to serve, and whether it is the invented demonstration as of `at`, which is gone at the end.

    Raises WorkspaceError for a folder that holds none.
    """
    found = Workspace.find(path)
    if found is not None:
        yield found, False
        return
    sweep_demonstrations()
    with tempfile.TemporaryDirectory(prefix=DEMONSTRATION) as folder, open(Path(folder) / IN_USE, "w") as mark:
        _is_locked(mark)
        yield create(Path(folder) / "invented", demo=True, at=at), True


def sweep_demonstrations() -> None:
    """Remove the demonstrations of servers that were killed: those that nobody holds any more."""
    for folder in Path(tempfile.gettempdir()).glob(f"{DEMONSTRATION}*"):
        try:
            with open(folder / IN_USE, "r+") as mark:
                if _is_locked(mark):
                    shutil.rmtree(folder, ignore_errors=True)
        except OSError:  # not begun yet, or somebody else's
            continue


def _is_locked(mark: IO[str]) -> bool:
    """Hold a file for as long as it is open; say whether nobody else does. The system lets it go however we end."""
    try:
        import fcntl
    except ImportError:  # Windows keeps what is open from being removed anyway
        return True
    try:
        fcntl.flock(mark, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def listening_sockets(lan: bool, port: int) -> list[socket.socket]:
    """Return sockets that listen at a port of loopback, or on all networks: of IPv4, and of IPv6 where there is one.

    Port 0 takes a free one. Raises InputError.
    """
    first = _listening(socket.AF_INET, "0.0.0.0" if lan else "127.0.0.1", port)
    if not socket.has_ipv6:
        return [first]
    try:
        # A system may have IPv6 switched off, or that port of it in use by somebody else.
        return [first, _listening(socket.AF_INET6, "::" if lan else "::1", first.getsockname()[1])]
    except InputError:
        return [first]


def _listening(family: socket.AddressFamily, host: str, port: int) -> socket.socket:
    listener = None
    try:
        listener = socket.socket(family, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            # IPv4 has a socket of its own.
            listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        listener.bind((host, port))
        listener.listen(128)
    except (OSError, OverflowError) as error:
        if listener is not None:
            listener.close()
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"port for the dashboard: {why.lower()}", got=port, wanted="a free port", try_next="--port 0, any free one"
        ) from None
    return listener


def lan_addresses() -> list[str]:
    """Return the addresses of this machine on its local networks, the one of IPv4 towards the default route first."""
    found: list[str] = []
    # Connecting a datagram socket sends nothing; it only asks which way a packet would go (to addresses that RFC 5737
    # and RFC 3849 keep for documentation).
    for family, elsewhere in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.connect((elsewhere, 9))
            found.append(str(probe.getsockname()[0]))
    with contextlib.suppress(OSError):
        found += [str(entry[4][0]) for entry in socket.getaddrinfo(socket.gethostname(), None)]
    # An address that only holds on one link carries the name of that link, which browsers do not take.
    addresses = {text: ipaddress.ip_address(text) for text in found if "%" not in text}
    return sorted(
        (text for text, address in addresses.items() if not address.is_loopback),
        key=lambda text: addresses[text].version,
    )


def own_names() -> list[str]:
    """Return what other machines may call this one: its host name, that without its domain, and that of mDNS."""
    name = socket.gethostname().rstrip(".").lower()
    short = name.partition(".")[0]
    # A name of the local network alone (RFC 6762), which phones find without a name server.
    return [each for each in dict.fromkeys((name, short, f"{short}.local")) if short and short != "localhost"]


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
    from . import pages
    from .connections import bounded_server
    from .factory import make_app
    from .security import LARGEST_REQUEST_BYTES, Password, hosts_of, who_is_known
    from .state import DashboardState
    from .updater import Updater

    with opened_workspace(workspace, at) as (found, invented), contextlib.ExitStack() as stack:
        listeners = [stack.enter_context(listener) for listener in listening_sockets(lan, port)]
        port = listeners[0].getsockname()[1]
        state = DashboardState(found, invented=invented, at=at)
        stack.callback(state.close)
        updater = Updater(state)
        stack.callback(updater.close)
        addresses = lan_addresses() if lan else []
        password = None
        if lan:
            password = Password(lambda word: tell(f"One-time password: {word}"))
        names = [*addresses, *own_names()] if lan else []
        app = make_app(state, hosts=hosts_of(port, names), password=password, any_address_port=port if lan else None)
        server = bounded_server(
            app.server,
            listeners,
            threads=THREADS,
            largest_body_bytes=LARGEST_REQUEST_BYTES,
            is_known=who_is_known(password),
        )
        address = f"http://{_in_address(addresses[0]) if addresses else '127.0.0.1'}:{port}/"
        tell(f"passim's dashboard: {address}  (Ctrl-C ends it)")
        if lan:
            others = [f"http://{_in_address(name)}:{port}/" for name in (*addresses[1:3], *own_names()[-1:])]
            if others:
                tell(f"The same, where the network knows them: {', '.join(others)}")
            tell(
                "Open that address on the phone and give the password. Plain HTTP is not encrypted: trust the network."
            )
        if invented:
            tell("No workspace here: this is the invented demonstration, and what you load into it is gone at the end.")
        # What has been made so far stays: see the command.
        gc.freeze()
        gc.enable()
        updater.start()
        # The first page is worked out while the browser reads its scripts.
        threading.Thread(target=look_ahead, args=(state, pages.PAGES[0]), name="passim-ahead", daemon=True).start()
        if browser and not lan:
            webbrowser.open(address)
        with contextlib.suppress(KeyboardInterrupt):
            server.run()
        server.close()


def _in_address(name: str) -> str:
    """Return a name or an address of this machine as it stands in the address of a page."""
    return f"[{name}]" if ":" in name else name
