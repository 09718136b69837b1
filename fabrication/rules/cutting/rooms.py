"""Which is the first with room? Asked of ten thousand bars ten thousand times."""

from __future__ import annotations

from collections.abc import Iterable, Iterator


class Rooms:
    """
    A list of rooms that finds the first with at least so much in logarithmic time.

    Examples
    --------
    >>> rooms = Rooms([3, 7])
    >>> rooms.add(9)
    >>> rooms.first(5), rooms.first(8), rooms.first(10)
    (1, 2, None)
    >>> rooms.lower(1, 4)
    >>> rooms.first(5), rooms[1]
    (2, 3)
    """

    def __init__(self, rooms: Iterable[int] = ()) -> None:
        entries = list(rooms)
        self._count = len(entries)
        self._build(entries)

    def __getitem__(self, position: int) -> int:
        return self._tree[self._width + position]

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[int]:
        return iter(self._tree[self._width : self._width + self._count])

    def copy(self) -> Rooms:
        """The same rooms, to be changed apart."""
        return Rooms(self)

    def add(self, room: int) -> None:
        """One more, at the end."""
        if self._count == self._width:
            self._build(self._tree[self._width :])
        self._count += 1
        self._set(self._count - 1, room)

    def lower(self, position: int, by: int) -> None:
        """Takes so much off one."""
        self._set(position, self[position] - by)

    def first(self, least: int) -> int | None:
        """The first position with at least this room; None when there is none."""
        tree = self._tree
        if tree[1] < least:
            return None
        node = 1
        while node < self._width:
            node *= 2
            if tree[node] < least:
                node += 1
        return node - self._width

    def _build(self, entries: list[int]) -> None:
        """A tree of maxima with room for as many again; -1 stands where nothing is."""
        self._width = 1
        while self._width < 2 * len(entries) + 1:
            self._width *= 2
        leaves = entries + [-1] * (self._width - len(entries))
        self._tree = [-1] * self._width + leaves
        for node in range(self._width - 1, 0, -1):
            self._tree[node] = max(self._tree[2 * node], self._tree[2 * node + 1])

    def _set(self, position: int, room: int) -> None:
        tree, node = self._tree, self._width + position
        tree[node] = room
        node //= 2
        while node:
            tree[node] = max(tree[2 * node], tree[2 * node + 1])
            node //= 2
