"""Who may ask the dashboard, and what its pages may load.

Dash checks neither Host nor Origin, answers unknown paths with its index page and knows no password; `protect` puts
all of that before it:

    hosts       a request must name an address this server answers to, so that a foreign name that was pointed at this
                machine (DNS rebinding) reaches nothing
    origins     whatever changes something must come from a page of this server
    paths       what is no page, file or endpoint of the dashboard answers 404
    password    on any address but loopback: one use each, kept as scrypt, slow retries, a session that ends; calendars
                that are subscribed to have a key in their address instead
    headers     a Content-Security-Policy without unsafe-eval, no sniffing, no referrer elsewhere, no frames

Plain HTTP is not encrypted: on the local network a listener in the same network can read what is shown. With TLS
(`certificate.py`) whatever comes in the clear is sent on to https and told nothing else.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import re
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Any, Final
from urllib.parse import quote, urlsplit

import flask

from ..text.network import LOGIN_ENCRYPTED, LOGIN_PLAIN
from ..text.template import filled
from .answer_cache import cache_control

LARGEST_REQUEST_BYTES: Final = 48 * 2**20

# N = 2**14, r = 8, p = 1 takes 16 MiB and some 50 ms: the interactive setting of RFC 7914 (section 2, recalled).
_SCRYPT: Final = {"n": 2**14, "r": 8, "p": 1}
SESSION_S: Final = 12 * 3600.0
MOST_SESSIONS: Final = 50
_LONGEST_WAIT_S: Final = 60.0
# How many addresses that gave wrong passwords are remembered; the one that has been quiet longest is forgotten first.
MOST_REMEMBERED: Final = 1000
COOKIE: Final = "passim_session"
# Browsers take a name that begins so over https alone, marked Secure (RFC 6265bis, section 4.1.3, recalled). It is
# another name because they would let no server without TLS replace a cookie that is marked so.
SECURE_COOKIE: Final = f"__Host-{COOKIE}"
_SESSION_IN_HEAD: Final = re.compile(rf"(?:^|[;,]\s*)(?:__Host-)?{COOKIE}=([\w-]+)")
# What the server's settings call whether its certificate is signed by itself.
SELF_SIGNED: Final = "PASSIM_SELF_SIGNED"
# No letter or digit that is taken for another when read off a screen.
_ALPHABET: Final = "abcdefghjkmnpqrstuvwxyz23456789"

_CATCH_ALL: Final = ("/", "/<path:path>")
# The page that asks for the password needs its looks.
_WITHOUT_PASSWORD: Final = ("/login", "/health", "/assets/passim.css")

# With "no-referrer" a browser sends "Origin: null" with a form (Fetch standard, "append a request Origin header"), and
# nobody could log in.
REFERRER_POLICY: Final = "same-origin"

# Under it are calendars for programs that know no password: their addresses carry a key, which their route asks for.
CALENDARS: Final = "/calendar/"

# Under it lies the report that a page has made.
REPORTS: Final = "/report/"

_UNCHANGING: Final = ("GET", "HEAD", "OPTIONS")


class Password:
    """A password that opens one session, then is replaced by the next.

    Wrong ones make the next try from the same address wait longer, and nobody else's. `tell` is called with each
    password, at once with the first. Times are seconds of a monotonic `clock`.
    """

    def __init__(self, tell: Callable[[str], None], clock: Callable[[], float] = time.monotonic) -> None:
        self._tell, self._clock = tell, clock
        # Passwords are tried one at a time, which bounds the memory of scrypt; sessions need not wait for that.
        self._trying, self._lock = threading.Lock(), threading.Lock()
        self._sessions: dict[bytes, float] = {}
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()  # how often, and when the next try may come
        self._renew()

    def try_open(self, given: str, peer: str = "") -> str | None:
        """Return the token of a new session where the password given by the address `peer` is right, else None.

        Raises TooSoon where that address gave a wrong one and has not waited.
        """
        self._check_wait(peer)  # whoever comes too soon holds up nobody
        with self._trying:
            self._check_wait(peer)
            now = self._clock()
            if not hmac.compare_digest(self._digest(given.strip()[:200].lower()), self._password_digest):
                count, _ = self._wrong.get(peer, (0, now))
                self._wrong[peer] = (count + 1, now + min(2.0**count, _LONGEST_WAIT_S))
                self._wrong.move_to_end(peer)
                while len(self._wrong) > MOST_REMEMBERED:
                    self._wrong.popitem(last=False)
                return None
            self._wrong.pop(peer, None)
            token = secrets.token_urlsafe(32)
            with self._lock:
                self._sessions = {key: until for key, until in self._sessions.items() if until > now}
                while len(self._sessions) >= MOST_SESSIONS:
                    del self._sessions[min(self._sessions, key=self._sessions.__getitem__)]
                self._sessions[_token_key(token)] = now + SESSION_S
            self._renew()
            return token

    def _check_wait(self, peer: str) -> None:
        now = self._clock()
        _, not_before = self._wrong.get(peer, (0, now))
        if now < not_before:
            raise TooSoon(not_before - now)

    def is_open(self, token: str | None) -> bool:
        """Say whether a token is that of a session that has not ended."""
        if not token:
            return False
        with self._lock:
            until = self._sessions.get(_token_key(token))
            return until is not None and self._clock() < until

    def end(self, token: str | None) -> None:
        """End the session of a token, where there is one."""
        with self._lock:
            self._sessions.pop(_token_key(token or ""), None)

    def _renew(self) -> None:
        parts = ["".join(secrets.choice(_ALPHABET) for _ in range(4)) for _ in range(3)]
        password = "-".join(parts)  # 31**12, about 59 bits
        self._salt = secrets.token_bytes(16)
        self._password_digest = self._digest(password)
        self._tell(password)

    def _digest(self, password: str) -> bytes:
        return hashlib.scrypt(password.encode("utf-8", "replace"), salt=self._salt, **_SCRYPT)


class TooSoon(Exception):
    """A password was tried again before its time; `wait_s` says how long that still is."""

    def __init__(self, wait_s: float) -> None:
        super().__init__(f"wait {wait_s:.0f} s")
        self.wait_s = wait_s


@dataclass(frozen=True)
class Rules:
    """What a server answers to: Host headers, the paths of its pages, path prefixes, and a password or none.

    With `any_address_port` it also answers to whatever address stands as Host with that port: no name is looked up to
    get there, so that none can have been pointed at this machine. With `https` it answers over TLS alone.
    """

    hosts: frozenset[str]
    paths: frozenset[str]
    prefixes: tuple[str, ...] = ("/_dash-", "/assets/", "/csv/", "/ics/", CALENDARS, REPORTS)
    password: Password | None = None
    any_address_port: int | None = None
    https: bool = False
    more: tuple[str, ...] = field(default=("/health", "/login", "/logout", "/_favicon.ico"))

    def answers_to(self, host: str) -> bool:
        """Say whether a Host header names this server."""
        return host in self.hosts or (
            self.any_address_port is not None
            and _names_an_address(host, self.any_address_port, _usual_port(self.https))
        )

    @property
    def cookie(self) -> str:
        """What the cookie of a session is called."""
        return SECURE_COOKIE if self.https else COOKIE

    def knows(self, path: str, rule: str | None) -> bool:
        """Say whether a path leads anywhere; `rule` is what the server matched it with, the catch-all for the rest."""
        if path in self.paths:
            return True
        known = path in self.more or path.startswith(self.prefixes)
        return known and rule is not None and rule not in _CATCH_ALL


def hosts_of(port: int, addresses: Collection[str] = (), *, https: bool = False) -> frozenset[str]:
    """Return the Host headers of a server at a port of loopback, and of further addresses or names."""
    names = ["127.0.0.1", "localhost", "[::1]", *(f"[{name}]" if ":" in name else name for name in addresses)]
    written = {f"{name.lower()}:{port}" for name in names}
    return frozenset(written | {name.lower() for name in names} if port == _usual_port(https) else written)


def _usual_port(https: bool) -> int:
    """Return the port that browsers leave out."""
    return 443 if https else 80


def protect(server: flask.Flask, rules: Rules, script_hashes: Collection[str]) -> None:
    """Put the rules before everything that `server` answers. `script_hashes` are those of Dash's own inline scripts."""
    policy = content_policy(script_hashes)
    server.config["MAX_CONTENT_LENGTH"] = LARGEST_REQUEST_BYTES

    def guard() -> flask.Response | None:
        request = flask.request
        # The header itself, because a proxy's X-Forwarded-Host is for anybody to write.
        host = request.headers.get("Host", "").lower()
        if not rules.answers_to(host):
            return _plain(403, "This address is not one that passim answers to.")
        if rules.https and not request.is_secure:
            if request.method in _UNCHANGING:
                return _with_location(f"https://{host}{request.full_path.rstrip('?')}", 307)
            return _plain(403, "passim answers over https here.")
        if request.method not in _UNCHANGING and not _same_origin(request, host):
            return _plain(403, "This request does not come from a page of passim.")
        if not rules.knows(request.path, request.url_rule.rule if request.url_rule else None):
            return _plain(404, "There is no such page. The first page is at /.")
        has_own_key = request.path.startswith(CALENDARS)
        if rules.password is not None and request.path not in _WITHOUT_PASSWORD and not has_own_key:
            if rules.password.is_open(request.cookies.get(rules.cookie)):
                return None
            if request.method == "GET" and request.path in rules.paths:
                wanted = request.full_path.rstrip("?")
                return _with_location(f"/login?next={quote(wanted, safe='')}")
            return _plain(401, "A password is needed: open the first page.")
        return None

    # First of all, before any part of Dash looks at the request.
    server.before_request_funcs.setdefault(None, []).insert(0, guard)

    @server.after_request
    def harden(response: flask.Response) -> flask.Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = REFERRER_POLICY
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers["Permissions-Policy"] = "camera=(), microphone=(), geolocation=()"
        cache_control(flask.request, response)
        return response

    if rules.password is not None:
        _serve_login(server, rules.password, rules)


def who_is_known(password: Password | None) -> Callable[[Mapping[str, str]], bool]:
    """Return whether the head of a request is of somebody known: anybody without a password, else of a session."""

    def is_known(head: Mapping[str, str]) -> bool:
        return password is None or any(
            password.is_open(token) for token in _SESSION_IN_HEAD.findall(head.get("COOKIE", ""))[:2]
        )

    return is_known


def content_policy(script_hashes: Collection[str]) -> str:
    """Return the Content-Security-Policy: own scripts and Dash's inline ones by their hash, nothing from elsewhere."""
    scripts = " ".join(["'self'", *sorted(script_hashes)])
    return "; ".join(
        [
            "default-src 'none'",
            f"script-src {scripts}",
            "style-src 'self' 'unsafe-inline'",  # plotly and Dash write style attributes
            "img-src 'self' data: blob:",
            "font-src 'self'",
            "connect-src 'self'",
            "worker-src blob:",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
        ]
    )


def _same_origin(request: flask.Request, host: str) -> bool:
    """Say whether a request that may change something comes from a page of this server. Browsers always send Origin."""
    origin = request.headers.get("Origin", "")
    parts = urlsplit(origin)
    return parts.scheme in ("http", "https") and parts.netloc.lower() == host


def _names_an_address(host: str, port: int, usual_port: int) -> bool:
    """Say whether a Host header is an address of IPv4 or, in brackets, of IPv6 with that port."""
    name, colon, digits = host.rpartition(":")
    if not colon:  # the usual port goes unsaid
        name, digits = host, str(usual_port)
    in_brackets = name.startswith("[") and name.endswith("]")
    try:
        address = ipaddress.ip_address(name[1:-1] if in_brackets else name)
    except ValueError:
        return False
    return digits == str(port) and in_brackets == (address.version == 6)


def _serve_login(server: flask.Flask, password: Password, rules: Rules) -> None:
    kept: dict[str, Any] = {"httponly": True, "samesite": "Strict", "path": "/", "secure": rules.https}

    @server.route("/login", methods=["GET", "POST"])
    def login() -> flask.Response:
        request = flask.request
        wanted = _own_path(request.values.get("next", "/"), rules)
        if request.method == "GET":
            return _login_page(wanted, "", rules)
        try:
            token = password.try_open(request.form.get("password", ""), request.remote_addr or "")
        except TooSoon as error:
            wait_s = int(error.wait_s) + 1
            page = _login_page(wanted, f"Too soon after a wrong password: wait {wait_s} s.", rules, 429)
            page.headers["Retry-After"] = str(wait_s)
            return page
        if token is None:
            return _login_page(wanted, "That is not the password that passim shows on its terminal now.", rules, 403)
        # Whoever logs in anew ends the session they had.
        password.end(request.cookies.get(rules.cookie))
        answer = _with_location(wanted)
        answer.set_cookie(rules.cookie, token, max_age=int(SESSION_S), **kept)
        return answer

    @server.post("/logout")
    def logout() -> flask.Response:
        password.end(flask.request.cookies.get(rules.cookie))
        answer = _with_location("/login")
        answer.delete_cookie(rules.cookie, **kept)
        return answer


def _own_path(wanted: str, rules: Rules) -> str:
    """Return where to go after the password: a page of this server and nothing else."""
    parts = urlsplit(wanted)
    if parts.scheme or parts.netloc or parts.path not in rules.paths:
        return "/"
    return f"{parts.path}?{parts.query}" if parts.query else parts.path


def _login_page(wanted: str, fault: str, rules: Rules, status: int = 200) -> flask.Response:
    line = LOGIN_ENCRYPTED if rules.https else LOGIN_PLAIN
    text = filled("passim_apps.dashboard", "login.html", wanted=wanted, fault=fault, line=line)
    return flask.Response(text, status=status, mimetype="text/html")


def _with_location(where: str, status: int = 303) -> flask.Response:
    answer = _plain(status, "")
    answer.headers["Location"] = where
    return answer


def _plain(status: int, words: str) -> flask.Response:
    return flask.Response(f"{words}\n" if words else "", status=status, mimetype="text/plain")


def _token_key(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "replace")).digest()
