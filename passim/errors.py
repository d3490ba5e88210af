"""What can go wrong, and for whom.

    PassimError                 everything passim raises on purpose
    |-- InputError              what the user gave is wrong (the command line exits with 2)
    |   |-- ElementsError       an element file or record cannot be used
    |   |-- SiteError           a place, a horizon or a time zone is wrong
    |   |-- SpanError           a stretch of time is wrong
    |   |-- EmptyFleetError     nothing is left to propagate
    |   `-- WorkspaceError      a workspace or its file cannot be used
    `-- InternalError           passim contradicts itself: a defect, please report it

    PassimWarning               what an answer should not be taken without (a warning, not an error)
    |-- StaleElementsWarning    elements too old for any single time
    `-- NotServingWarning       satellites are counted that hardly serve

Every message is one line that says what was wrong, what was given, what was wanted and what to try next.
"""

from __future__ import annotations

from collections.abc import Sequence


class PassimError(Exception):
    """Base of every error that passim raises on purpose."""


class InputError(PassimError):
    """What the user gave cannot be used.

    ``what`` names the thing, ``got`` shows what was given, ``wanted`` says what would be right and ``try_next``
    the next step. The four are joined to one line; control characters and line ends in ``got`` are escaped, and a
    long value is shortened, so that a hostile file cannot write on the terminal.
    """

    def __init__(self, what: str, *, got: object = None, wanted: str = "", try_next: str = "") -> None:
        self.what, self.got, self.wanted, self.try_next = what, got, wanted, try_next
        parts = [what]
        if got is not None:
            parts.append(f"got {_shown(got)}")
        if wanted:
            parts.append(f"wanted {wanted}")
        if try_next:
            parts.append(f"try {try_next}")
        super().__init__("; ".join(parts))


class ElementsError(InputError):
    """An element file or record cannot be used."""


class SiteError(InputError):
    """A place, a horizon or a time zone is wrong."""


class SpanError(InputError):
    """A stretch of time is wrong."""


class EmptyFleetError(InputError):
    """No satellite is left to propagate."""


class WorkspaceError(InputError):
    """A workspace or its file cannot be used.

    ``problems`` holds one line for each thing that is wrong with the file, with its place; all are found at once.
    """

    def __init__(
        self, what: str, *, problems: Sequence[str] = (), got: object = None, wanted: str = "", try_next: str = ""
    ) -> None:
        self.problems = tuple(problems)
        if len(self.problems) == 1:
            what = f"{what}: {self.problems[0]}"
        elif self.problems:
            what = f"{what}: {len(self.problems):,} things cannot be used"
        super().__init__(what, got=got, wanted=wanted, try_next=try_next)


class InternalError(PassimError):
    """passim contradicts itself. This is a defect in passim, not in the input."""


class PassimWarning(UserWarning):
    """Base of every warning: an answer is given, and there is something that it should not be taken without."""


class StaleElementsWarning(PassimWarning):
    """Element sets are over 14 days from the middle of the span: shares and counts may hold, no single time does."""


class NotServingWarning(PassimWarning):
    """Satellites are counted that are away from their shell, decayed or not seen of late, and hardly serve."""


def _shown(value: object, longest: int = 80) -> str:
    """Return `value` as one printable line of at most `longest` characters."""
    text = repr(value) if isinstance(value, (str, bytes)) else str(value)
    text = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return text if len(text) <= longest else text[: longest - 1] + "…"
