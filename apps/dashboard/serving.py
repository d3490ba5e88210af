"""The server: waitress, one process with threads, on loopback or, with TLS and a password, on the local network."""

from __future__ import annotations

import contextlib
import gc
import ipaddress
import os
import shutil
import socket
import tempfile
import threading
import webbrowser
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final

from passim.errors import InputError
from passim.workspace import FILE_NAME, Workspace, begin, create

from ..figures.theme import LIGHT
from ..text import network as network_words

if TYPE_CHECKING:
    from passim.parallel import WorkerPool

    from .certificate import Certificate
    from .page_model import Page
    from .state import DashboardState

THREADS: Final = 6
DEMONSTRATION: Final = "passim-demonstration-"
IN_USE: Final = "in-use"


@dataclass(frozen=True)
class Network:
    """How the dashboard is served on the local network: by its own certificate, by one of files, or unencrypted.

    `key` is the file of the private key where `certificate` does not hold it.
    """

    certificate: Path | None = None
    key: Path | None = None
    encrypted: bool = True

    def named(self) -> Certificate | None:
        """Return the certificate of the files; None where there are none. Raises InputError."""
        if not self.encrypted or self.certificate is None:
            return None
        from .certificate import named_certificate  # cryptography takes a while to load

        # The real clock, whatever is rehearsed: phones go by theirs.
        return named_certificate(self.certificate, self.key, datetime.now(UTC))

    def own(self, workspace: Workspace, names: Sequence[str]) -> Certificate | None:
        """Return passim's own certificate for names of this machine; None where none is wanted. Raises InputError."""
        if not self.encrypted or self.certificate is not None:
            return None
        from .certificate import own_certificate

        return own_certificate(workspace.folder, names, datetime.now(UTC))


@contextlib.contextmanager
def opened_workspace(path: str | None, at: datetime | None) -> Iterator[tuple[Workspace, bool]]:
    """Give the workspace to serve, and whether it is the invented demonstration as of `at`, which is gone at the end.

    In a folder that holds none the pages begin one. Raises WorkspaceError for a folder that cannot be one.
    """
    if path is not None and Path(path).name != FILE_NAME and not os.path.lexists(Path(path) / FILE_NAME):
        yield begin(path), False
        return
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


def names_to_serve(certificate: Certificate | None, addresses: Sequence[str], own: Sequence[str]) -> list[str]:
    """Return what phones may call this machine, the best first: what a certificate of files is made out to."""
    named = () if certificate is None or certificate.is_own else certificate.names
    # This machine under the domain that a wildcard stands for.
    written = [f"{own[0].partition('.')[0]}{name[1:]}" if own and name.startswith("*.") else name for name in named]
    return list(dict.fromkeys([*written, *addresses, *own]))


def run(
    *,
    port: int,
    workspace: str | None,
    network: Network | None,
    browser: bool,
    at: datetime | None,
    tell: Callable[[str], None],
    pool: WorkerPool,
    command: str = "passim dashboard",
) -> None:
    """Serve the dashboard until it is interrupted: on this machine alone or, with `network`, on the local one too.

    What takes long is for the workers of `pool`, which is closed at the end. `command` is what starts it again. Raises
    InputError.
    """
    from . import pages
    from .connections import bounded_server
    from .factory import make_app
    from .security import LARGEST_REQUEST_BYTES, Password, hosts_of, who_is_known
    from .state import DashboardState
    from .updater import Updater

    certificate = None if network is None else network.named()
    with opened_workspace(workspace, at) as (found, invented), contextlib.ExitStack() as stack:
        lan = network is not None
        addresses, own = (lan_addresses(), own_names()) if lan else ([], [])
        if network is not None and certificate is None:
            certificate = network.own(found, [*addresses, *own, "localhost", "127.0.0.1", "::1"])
        listeners = [stack.enter_context(listener) for listener in listening_sockets(lan, port)]
        port = listeners[0].getsockname()[1]
        state = DashboardState(found, invented=invented, at=at, pool=pool)
        stack.callback(state.close)
        updater = Updater(state)
        stack.callback(updater.close)
        password = None
        if lan:
            password = Password(lambda word: tell(f"One-time password: {word}"))
        names = names_to_serve(certificate, addresses, own)
        app = make_app(
            state,
            hosts=hosts_of(port, names, https=certificate is not None),
            password=password,
            any_address_port=port if lan else None,
            https=certificate is not None,
            self_signed=certificate is not None and certificate.is_own,
            command=command,
        )
        server = bounded_server(
            app.server,
            listeners,
            threads=THREADS,
            largest_body_bytes=LARGEST_REQUEST_BYTES,
            is_known=who_is_known(password),
            tls=None if certificate is None else certificate.context,
        )
        scheme = "http" if certificate is None else "https"
        address = f"{scheme}://{_in_address(names[0]) if names else '127.0.0.1'}:{port}/"
        if certificate is not None:
            for line in network_words.fingerprint_lines(certificate.fingerprint):
                tell(line)
            if made := network_words.made_sentence(certificate.is_new, certificate.replaces, certificate.until):
                tell(made)
        tell(f"passim's dashboard: {address}  (Ctrl-C ends it)")
        if lan:
            # The name of mDNS, and two more.
            others = [*names[1:3], *(name for name in own[-1:] if name not in names[:3])]
            if others:
                tell(network_words.elsewhere([f"{scheme}://{_in_address(name)}:{port}/" for name in others]))
            tell(network_words.open_there(certificate is not None, certificate is not None and certificate.is_own))
        if found.unwritten is not None:
            tell(f"{found.folder} holds no workspace yet: the pages begin one, and write nothing before you say so.")
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
