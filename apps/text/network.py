"""Words of the dashboard on the local network: where it is, how it is encrypted, and what the phone will say."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Final

PLAIN_WARNING: Final = "Plain HTTP is not encrypted: use a network you trust."
LOGIN_PLAIN: Final = "The connection is not encrypted: use a network you trust."
LOGIN_ENCRYPTED: Final = (
    "The connection is encrypted. If your browser warned of the certificate, give the password only where the "
    "certificate's SHA-256 fingerprint is the one that the terminal shows."
)
# Calendar programs have no page on which somebody could accept a certificate.
UNTRUSTED_CALENDAR: Final = (
    "passim signed its certificate itself, and a calendar program will not take that: start the dashboard with a "
    "certificate that your devices trust, or, on a network that you trust, without encryption."
)


def gone_sentence(command: str, *, password: bool, invented: bool) -> str:
    """Say how a dashboard that does not answer is started again, by `command`, and what of one's work is still there.

    Where a `password` is asked for there is a new one, and with it a page that is loaded anew.
    """
    again = f"passim does not answer. Is it still running? To start it again: {command}."
    if invented:
        return f"{again} What was loaded into the demonstration is gone then."
    saved = "What you saved is in the workspace"
    if password:
        return f"{again} {saved}; it asks for a new password."
    return f"{again} Leave this page open: what you typed stays in it. {saved}."


def fingerprint_lines(fingerprint: str) -> list[str]:
    """Return the SHA-256 fingerprint of a certificate as browsers show it, in two lines that can be read off."""
    half = fingerprint.index(":", len(fingerprint) // 2 - 1) + 1
    return [f"SHA-256 fingerprint:  {fingerprint[:half]}", f"                      {fingerprint[half:]}"]


def made_sentence(is_new: bool, replaces: bool, until: dt.datetime) -> str:
    """Say where passim's own certificate comes from; empty where it is the one of last time."""
    if not is_new:
        return ""
    why = "was made anew, with another fingerprint" if replaces else "has been made, and is kept in the workspace"
    return f"A certificate {why}; it holds until {until:%d %b %Y}."


def open_there(encrypted: bool, own: bool) -> str:
    """Say what to do on the phone."""
    if not encrypted:
        return f"Open that address on the phone and give the password. {PLAIN_WARNING}"
    if not own:
        return "Open that address on the phone and give the password. The connection is encrypted."
    return (
        "Open that address on the phone. Its browser warns, because passim signed the certificate itself: look at the "
        "certificate there, go on only if the fingerprint is the one above, and give the password."
    )


def elsewhere(addresses: Sequence[str]) -> str:
    """Name the other addresses of the same dashboard."""
    return f"The same, where the network knows them: {', '.join(addresses)}"
