"""Kinds of call, and how long service may be away before each of them notices, pauses or ends.

A threshold is only as good as its source, so each says where it comes from. Where no standard says anything, the number
is common practice or taken for granted, and says so. All can be changed in the workspace.

Sources. [1] RFC 7675, section 5.1: consent to send is asked for every 4 to 6 s and expires 30 s after the last valid
answer; whoever has none must stop sending. Read as several open implementations quote it; the text itself was not
opened. [2] RFC 8216, section 6.3.3, read the same way: a player of a live stream should not start less than three
segments from its end; with segments of 6 s, the usual length (common practice), that is 18 s in hand.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Final, Self

from passim.errors import InputError

# A length in seconds, and where it comes from.
Sourced = tuple[float, str]

THRESHOLDS: Final = ("noticed_from_s", "pause_from_s", "ends_from_s", "buffer_s")
_LONGEST_S: Final = 3600.0

_CONSENT: Final = "RFC 7675, section 5.1, as implementations quote it: consent to send expires after 30 s"
_NO_BUFFER: Final = "by definition: what is said is heard at once"


@dataclass(frozen=True, kw_only=True)
class CallKind:
    """A kind of call. Lengths are those of a freeze, seconds; one is counted from `noticed_from_s` on.

    name            one word, to ask for it by
    words           what a workspace calls it in a sentence; empty where it leaves that to whoever words the answer
    noticed_from_s  shorter freezes pass unnoticed
    pause_from_s    from here on people stop and wait
    ends_from_s     from here on the call is over and has to be set up again
    buffer_s        what is kept in hand and played on while service is away: a gap freezes the picture so much less.
                    It is taken to be full again before the next gap
    sources         threshold -> where the number comes from

    Raises InputError for a threshold that is not a number of seconds up to an hour, or when they do not rise.
    """

    name: str
    words: str = ""
    noticed_from_s: float
    pause_from_s: float
    ends_from_s: float
    buffer_s: float = 0.0
    sources: Mapping[str, str]

    def __post_init__(self) -> None:
        for threshold in THRESHOLDS:
            value = getattr(self, threshold)
            number = isinstance(value, (int, float)) and not isinstance(value, bool)
            low_enough = number and math.isfinite(value) and value <= _LONGEST_S
            if not low_enough or value < 0.0 or (value == 0.0 and threshold != "buffer_s"):
                raise InputError(
                    f"{threshold} of the kind of call {self.name}",
                    got=value,
                    wanted=f"a number of seconds, {'0' if threshold == 'buffer_s' else 'above 0'} to {_LONGEST_S:g}",
                )
        if not self.noticed_from_s <= self.pause_from_s <= self.ends_from_s:
            raise InputError(
                f"thresholds of the kind of call {self.name}",
                got=f"noticed from {self.noticed_from_s:g} s, pause from {self.pause_from_s:g} s, "
                f"ends from {self.ends_from_s:g} s",
                wanted="each at least as long as the one before",
            )
        unsourced = [threshold for threshold in THRESHOLDS if not self.sources.get(threshold)]
        if unsourced:
            raise InputError(f"kind of call {self.name}", got=f"no source for {', '.join(unsourced)}", wanted="one")

    @classmethod
    def sourced(
        cls, name: str, *, noticed: Sourced, pause: Sourced, ends: Sourced, buffer: Sourced = (0.0, _NO_BUFFER)
    ) -> Self:
        """Return the kind whose thresholds are given each with its source. Raises InputError."""
        return cls(
            name=name,
            noticed_from_s=noticed[0],
            pause_from_s=pause[0],
            ends_from_s=ends[0],
            buffer_s=buffer[0],
            sources=dict(zip(THRESHOLDS, (noticed[1], pause[1], ends[1], buffer[1]), strict=True)),
        )

    @property
    def at_least_s(self) -> tuple[float, float, float]:
        """The three lengths that count, seconds, rising."""
        return self.noticed_from_s, self.pause_from_s, self.ends_from_s

    def changed(self, source: str, *, words: str | None = None, **thresholds_s: float) -> CallKind:
        """Return the kind with some thresholds changed, `source` saying who changed them. Raises InputError."""
        unknown = [name for name in thresholds_s if name not in THRESHOLDS]
        if unknown:
            raise InputError("threshold of a call", got=unknown[0], wanted=f"one of {', '.join(THRESHOLDS)}")
        sources = {**self.sources, **dict.fromkeys(thresholds_s, source)}
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return replace(self, **{**values, **thresholds_s, "sources": sources, "words": words or self.words})


VOICE: Final = CallKind.sourced(
    "voice",
    noticed=(0.3, "common practice, no source: concealment bridges some tens of milliseconds; 0.3 s is a word"),
    pause=(3.0, "common practice, no source: after seconds of silence people ask whether the other is there"),
    ends=(30.0, _CONSENT),
)
VIDEO: Final = CallKind.sourced(
    "video",
    noticed=(0.5, "common practice, no source: a picture that stands still for half a second is seen"),
    pause=(5.0, "common practice, no source: people stop talking and wait"),
    ends=(30.0, _CONSENT),
)
LESSON: Final = CallKind.sourced(
    "lesson",
    noticed=(0.5, "common practice, no source: a picture that stands still for half a second is seen"),
    pause=(5.0, "common practice, no source: the class waits"),
    ends=(30.0, _CONSENT),
)
SCREEN: Final = CallKind.sourced(
    "screen",
    noticed=(1.0, "common practice, no source: a shared page mostly stands still anyway"),
    pause=(5.0, "common practice, no source: as for a lesson, since somebody talks to it"),
    ends=(30.0, _CONSENT),
)
STREAM: Final = CallKind.sourced(
    "stream",
    noticed=(0.5, "common practice, no source: as for a lesson, once what is in hand has been played"),
    pause=(5.0, "common practice, no source: as for a lesson"),
    ends=(30.0, "taken for granted: a player that has stood still for half a minute is given up"),
    buffer=(18.0, "RFC 8216, section 6.3.3, as implementations quote it: three segments; 6 s each is common practice"),
)
# The first is what a call is unless somebody says otherwise.
CALL_KINDS: Final = (VIDEO, LESSON, VOICE, SCREEN, STREAM)


def call_kind(name: str, kinds: tuple[CallKind, ...] = CALL_KINDS) -> CallKind:
    """Return the kind called `name`, capitals or not. Raises InputError."""
    for kind in kinds:
        if kind.name.casefold() == name.strip().casefold():
            return kind
    raise InputError("kind of call", got=name, wanted=f"one of {', '.join(kind.name for kind in kinds)}")
