"""What is told beside an answer, and how much each note weighs: always, as a rule, or only when asked for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

# left out      what the answer leaves out: stands before its own sentence, whatever the format
# caution       shown always, and once
# reading       changes how this answer is to be read: shown unless --quiet
# background    where it comes from and how it was computed: shown with --notes, and always in JSON
Weight = Literal["left out", "caution", "reading", "background"]

# What a note is about: an answer that says so itself drops it, and damaged elements are told first.
Topic = Literal["", "place", "horizon", "limits", "policy", "damage", "gateway"]


@dataclass(frozen=True, slots=True)
class Note:
    """A sentence beside an answer, with its weight.

    ``to_send`` stands in for the text in a file made to be sent, where the text tells something of this computer.
    """

    text: str
    weight: Weight = "reading"
    about: Topic = ""
    to_send: str = ""


def background(text: str, about: Topic = "", to_send: str = "") -> Note:
    """Return a note that is shown only when asked for."""
    return Note(text, "background", about, to_send)


def weighed(texts: Iterable[str], weight: Weight = "reading") -> tuple[Note, ...]:
    """Return a note of this weight for each text."""
    return tuple(Note(text, weight) for text in texts)


def led(notes: Iterable[Note], words: str) -> list[Note]:
    """Return the notes with `words` before each text, such as the name of the site or fleet that it holds for."""
    return [replace(note, text=f"{words}: {note.text}") for note in notes]


def without(notes: Iterable[Note], *topics: Topic) -> list[Note]:
    """Return the notes that are about none of `topics`."""
    return [note for note in notes if note.about not in topics]


def left_out(notes: Iterable[Note]) -> list[str]:
    """Return what an answer leaves out, each once: it stands before the answer's own sentence."""
    return list(dict.fromkeys(note.text for note in notes if note.weight == "left out"))


def beside(notes: Iterable[Note]) -> list[str]:
    """Return all other notes, each once; what is said of damaged elements comes first."""
    ordered = sorted(notes, key=lambda note: note.about != "damage")
    return list(dict.fromkeys(note.text for note in ordered if note.weight != "left out" and note.text))


def shown(notes: Sequence[Note], *, quiet: bool = False, every: bool = False) -> tuple[list[str], int]:
    """Return the notes to show, each once, and how many more there are: with `quiet` the cautions, with `every` all.

    What the answer leaves out is in neither, because it stands before the answer's sentence.
    """
    weights = ("caution",) if quiet else ("caution", "reading", "background") if every else ("caution", "reading")
    chosen = [text for text in beside(note for note in notes if note.weight in weights)]
    return chosen, len(beside(notes)) - len(chosen)
