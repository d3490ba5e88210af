"""What is told beside an answer, and how much each note weighs: shown always, as a rule, or only when asked for."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

# caution       shown always, and once
# reading       changes how this answer is to be read: shown unless --quiet. What nobody weighed counts as this
# background    where it comes from and how it was computed: shown with --notes, and always in JSON
Weight = Literal["caution", "reading", "background"]


class Note(str):
    """A sentence beside an answer, and its weight. As text it is the sentence itself."""

    weight: Weight

    def __new__(cls, text: str, weight: Weight = "reading") -> Note:
        note = super().__new__(cls, text)
        note.weight = weight
        return note


def background(text: str) -> Note:
    """Return a note that is shown only when asked for."""
    return Note(text, "background")


def weight_of(note: str) -> Weight:
    """Return the weight of a note; plain text changes how an answer is read until somebody says that it does not."""
    return note.weight if isinstance(note, Note) else "reading"


def shown(notes: Iterable[str], *, quiet: bool = False, every: bool = False) -> tuple[list[str], int]:
    """Return the notes to show, each once, and how many more there are: with `quiet` the cautions, with `every` all."""
    weights = ("caution",) if quiet else ("caution", "reading", "background") if every else ("caution", "reading")
    known = [note for note in dict.fromkeys(notes) if note]
    chosen = [note for note in known if weight_of(note) in weights]
    return chosen, len(known) - len(chosen)
