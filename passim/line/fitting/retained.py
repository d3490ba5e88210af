"""What was found last, up to so many bytes: the sky's and the search's results for the next setting."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Retained(Generic[Key, Value]):
    """A mapping that lets go of what was asked for longest ago once all together exceed `most_bytes`.

    `size` says how many bytes a value takes. The newest one stays whatever its size.
    """

    def __init__(self, most_bytes: int, size: Callable[[Value], int]) -> None:
        self.most_bytes, self._size = most_bytes, size
        self._held: OrderedDict[Key, Value] = OrderedDict()
        self._bytes = 0

    def get(self, key: Key) -> Value | None:
        """Return what is held, which counts as asked for; None where nothing is."""
        found = self._held.get(key)
        if found is not None:
            self._held.move_to_end(key)
        return found

    def put(self, key: Key, value: Value) -> None:
        """Hold a value that was not held."""
        size = self._size(value)
        self.make_room(size)
        self._held[key] = value
        self._bytes += size

    def make_room(self, size: int) -> None:
        """Let go of what a value of so many bytes will push out, before it takes them."""
        while self._held and self._bytes + size > self.most_bytes:
            self._bytes -= self._size(self._held.popitem(last=False)[1])
