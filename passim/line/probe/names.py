"""Addresses of hosts that are given by name, looked up aside: a resolver that does not answer holds nobody up."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterable
from typing import Final

from passim.errors import InputError
from passim.line.probe.methods import literal

# A name may move; whoever asks it every second should notice within the hour.
_AGAIN_S: Final = 1800.0
_AGAIN_WHERE_UNKNOWN_S: Final = 15.0
_PATIENCE_AT_START_S: Final = 10.0


class Addresses:
    """The addresses of hosts. A name that has none yet is looked up again and again, and asking it counts as lost."""

    def __init__(self, hosts: Iterable[str]) -> None:
        self._known = {host: literal(host) for host in hosts}
        self._names = [host for host, address in self._known.items() if address is None]
        self._looking: threading.Thread | None = None
        self._next_s = 0.0

    def look_up_first(self) -> None:
        """Look all names up, and wait a little. Raises InputError for a name that does not exist."""
        faults: list[InputError] = []
        if self._names:
            self._looking = threading.Thread(target=self._look_up, args=(faults,), daemon=True)
            self._looking.start()
            self._looking.join(_PATIENCE_AT_START_S)
        # Where no name is known at all, it is the line that is out, or the resolver.
        if faults and len(faults) < len(self._known):
            raise faults[0]

    def of(self, host: str) -> tuple[int, str] | None:
        """Return family and number of a host; None while its name has none."""
        return self._known[host]

    def refresh(self) -> None:
        """Look names up again where it is time to, aside."""
        now_s = time.monotonic()
        if not self._names or now_s < self._next_s or (self._looking is not None and self._looking.is_alive()):
            return
        unknown = any(self._known[name] is None for name in self._names)
        self._next_s = now_s + (_AGAIN_WHERE_UNKNOWN_S if unknown else _AGAIN_S)
        self._looking = threading.Thread(target=self._look_up, args=([],), daemon=True)
        self._looking.start()

    def _look_up(self, faults: list[InputError]) -> None:
        for name in self._names:
            try:
                family, _, _, _, address = socket.getaddrinfo(name, None, type=socket.SOCK_STREAM)[0]
            except socket.gaierror as error:
                if error.errno == socket.EAI_NONAME and self._known[name] is None:
                    faults.append(InputError("host", got=name, wanted="a name that exists, or an address"))
            except (OSError, UnicodeError):
                continue
            else:
                self._known[name] = (family, str(address[0]))
