"""Things in a row, of which each longer one shares all that it has with the one before it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from typing import Generic, TypeVar, overload

__all__ = ["Row", "longer"]

T = TypeVar("T")


class Row(Sequence[T], Generic[T]):
    """What was taken so far, in order: it never changes, and it grows by one without a copy of the rest.

    A tuple that grows by one is copied whole, which for ten thousand readings is more work than all else.

    Args:
        items: in order.

    >>> row = longer(longer((), "a"), "b")
    >>> longer(row, "c"), longer(row, "d"), row
    (('a', 'b', 'c'), ('a', 'b', 'd'), ('a', 'b'))
    """

    __slots__ = ("_count", "_shared")

    def __init__(self, items: Iterable[T] = ()) -> None:
        # Longer rows put theirs behind; what this one has of it is never touched again.
        self._shared = list(items)
        self._count = len(self._shared)

    def and_then(self, item: T) -> Row[T]:
        """The row with one more at its end; this one stays as it is."""
        shared, count = self._shared, self._count
        if len(shared) == count:
            shared.append(item)
        # Another may have put its own there, even at the same moment.
        if shared[count] is not item:
            shared = [*shared[:count], item]
        row: Row[T] = Row.__new__(Row)
        row._shared, row._count = shared, count + 1
        return row

    def __len__(self) -> int:
        """How many there are."""
        return self._count

    @overload
    def __getitem__(self, at: int) -> T: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[T, ...]: ...
    def __getitem__(self, at: int | slice) -> T | tuple[T, ...]:
        """One of them, or several."""
        if isinstance(at, slice):
            return tuple(self._shared[index] for index in range(*at.indices(self._count)))
        if not -self._count <= at < self._count:
            raise IndexError(f"{at} of {self._count}")
        return self._shared[at if at >= 0 else at + self._count]

    def __iter__(self) -> Iterator[T]:
        """All of them, in order."""
        return islice(self._shared, self._count)

    def __eq__(self, other: object) -> bool:
        """Whether another row, or a tuple, has the same in the same order."""
        return tuple(self) == tuple(other) if isinstance(other, Row | tuple) else NotImplemented

    def __hash__(self) -> int:
        """As a tuple of the same."""
        return hash(tuple(self))

    def __repr__(self) -> str:
        """As a tuple of the same."""
        return repr(tuple(self))

    def __reduce__(self) -> tuple[Callable[[tuple[T, ...]], Row[T]], tuple[tuple[T, ...]]]:
        """Without what only longer rows have."""
        return Row, (tuple(self),)


def longer(items: Sequence[T], item: T) -> Row[T]:
    """What was taken so far, and one more at its end.

    Args:
        items: so far.
        item: the next one.
    """
    return (items if isinstance(items, Row) else Row(items)).and_then(item)
