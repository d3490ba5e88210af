"""What holds for every test: no network, steady property tests, and a reason wherever a browser test cannot run."""

from __future__ import annotations

import gc
import ipaddress
import os
import shutil
import signal
import socket
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any, Final

import pytest
from hypothesis import settings

from wheels import SHARED

UNDER_CI = bool(os.environ.get("CI"))
BROWSER = pytest.StashKey[tuple[Any, ExitStack]]()

# Shared machines stall now and then, so an example has no deadline; under CI the same examples run every time.
settings.register_profile("steady", deadline=None, derandomize=UNDER_CI)
settings.load_profile("steady")


def stays_on_this_machine(host: str | bytes | None) -> bool:
    """True for this machine's own name and for a loopback address; a name that would have to be looked up is false."""
    text = host.decode() if isinstance(host, bytes) else host or "localhost"
    if text == "localhost":
        return True
    try:
        return ipaddress.ip_address(text.partition("%")[0]).is_loopback
    except ValueError:
        return False


@pytest.fixture(autouse=True)
def _no_stated_width(monkeypatch: pytest.MonkeyPatch) -> None:
    """Answers are as wide as they like, whatever a terminal or a library has put into the environment."""
    monkeypatch.delenv("COLUMNS", raising=False)
    # readline, which pytest loads, puts it where processes find it that are begun, and os.environ does not.
    os.unsetenv("COLUMNS")


@pytest.fixture(autouse=True)
def _interrupts_arrive() -> None:
    """An interrupted command leaves its process deaf to the keyboard, and so would be all that later tests begin."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True, scope="session")
def _own_state(tmp_path_factory: pytest.TempPathFactory) -> None:
    """What passim notes for its user goes into a folder of the tests, in processes that they start too."""
    os.environ["XDG_STATE_HOME"] = str(tmp_path_factory.mktemp("state"))


@pytest.fixture(autouse=True, scope="session")
def _no_network() -> Iterator[None]:
    """Fail the test that looks up a name or connects to another machine, whatever the code under test catches.

    pytest.fail raises past ``except Exception``, so that code which treats the lost connection as bad luck and goes on
    cannot hide it. Loopback and Unix sockets stay open for the tests' own servers.
    """
    connect, connect_ex, sendto, look_up = (
        socket.socket.connect,
        socket.socket.connect_ex,
        socket.socket.sendto,
        socket.getaddrinfo,
    )

    def refuse_elsewhere(family: int, address: Any) -> None:
        if family in (socket.AF_INET, socket.AF_INET6) and not stays_on_this_machine(address[0]):
            pytest.fail(f"a test tried to reach {address!r}: no test may need the network")

    def guarded_connect(self: socket.socket, address: Any) -> None:
        refuse_elsewhere(self.family, address)
        connect(self, address)

    def guarded_connect_ex(self: socket.socket, address: Any) -> int:
        refuse_elsewhere(self.family, address)
        return connect_ex(self, address)

    def guarded_sendto(self: socket.socket, data: Any, *flags_and_address: Any) -> int:
        refuse_elsewhere(self.family, flags_and_address[-1])
        return sendto(self, data, *flags_and_address)

    def guarded_look_up(host: str | bytes | None, *args: Any, **kwargs: Any) -> Any:
        # The wildcard addresses are only ever bound to, by a server that listens on every interface.
        if host not in ("", "0.0.0.0", "::") and not stays_on_this_machine(host):
            pytest.fail(f"a test tried to look up {host!r}: no test may need the network")
        return look_up(host, *args, **kwargs)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", guarded_connect)
        patch.setattr(socket.socket, "connect_ex", guarded_connect_ex)
        patch.setattr(socket.socket, "sendto", guarded_sendto)
        patch.setattr(socket, "getaddrinfo", guarded_look_up)
        yield


@pytest.fixture
def browser(request: pytest.FixtureRequest) -> Any:
    """Debian's browser, begun once for all tests in a row that drive it; a test leaves its page as if it were new."""
    from browsing import a_browser

    stash = request.config.stash
    if BROWSER not in stash:
        ending = ExitStack()
        stash[BROWSER] = ending.enter_context(a_browser()), ending
    found, _ = stash[BROWSER]
    return found


@pytest.fixture
def page(browser: Any, address: str) -> Iterator[Any]:
    """A page of the size of a desk's screen before the dashboard of the file, whose `address` it wants."""
    from browsing import a_page

    with a_page(browser, address) as found:
        yield found


# Files that take long, the longest first: much to work out, or many processes to wait for.
LONG: Final = (
    "test_browser_pages.py", "test_browser_sky.py", "test_browser_measured.py", "test_browser_sites.py",
    "test_browser_calls.py", "test_command_report.py", "test_fit.py", "test_same_answer.py", "test_measured.py",
    "test_workers.py", "test_symptom.py", "test_command_calls.py", "test_probe.py", "test_system_faults.py",
    "test_serving.py",
)  # fmt: skip


def pytest_configure(config: pytest.Config) -> None:
    """Let all workers share a folder for what one of them makes for all: the wheel, and passim installed from it."""
    if not hasattr(config, "workerinput"):
        shared = tempfile.TemporaryDirectory(prefix="passim-tests-")
        os.environ[SHARED] = shared.name
        config.add_cleanup(shared.cleanup)


def pytest_xdist_auto_num_workers() -> int:
    """Let three workers share two processors: many tests wait, for a browser, a server or a line that is simulated."""
    processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return processors + (processors + 1) // 2


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files first that take long: those in which a browser is driven, and `LONG`.

    Begun last, one of them would hold a worker when the others have nothing left to do; tests/run has the workers take
    the files in this order.
    """
    driven = {item.path for item in items if item.get_closest_marker("browser")}

    def place(item: pytest.Item) -> tuple[bool, int]:
        name = item.path.name
        return item.path not in driven, LONG.index(name) if name in LONG else len(LONG)

    items.sort(key=place)


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[Any]:
    """Search for no garbage while all files are imported: there is next to none."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Keep what all files have imported out of each search for garbage, and search less often.

    The searches took a tenth of the processors' time.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(10_000, 10, 50)


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown(item: pytest.Item, nextitem: pytest.Item | None) -> None:
    """End the browser before a test that does not drive it, once all fixtures of the last one that did are gone.

    Its driver leaves an event loop running in this thread, beside which nothing can run one of its own.
    """
    stash = item.config.stash
    if BROWSER in stash and (nextitem is None or not nextitem.get_closest_marker("browser")):
        _, ending = stash[BROWSER]
        del stash[BROWSER]
        ending.close()


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Let a browser test run only where Debian's browser is: elsewhere skip it, but never in silence under CI."""
    if item.get_closest_marker("browser") and shutil.which("chromium") is None:
        reason = "chromium is not installed; sudo apt-get install chromium brings it"
        if UNDER_CI:
            pytest.fail(reason)
        pytest.skip(reason)
