"""A card that loses power: which bytes are left of what was written to it.

Knows files and bytes, no database. What a program does to its files is a tape of
operations; a cut may fall behind any of them. What was flushed stays. Of what was
not, any part may be there or not, in any order, torn between sectors; a file whose
making or taking away was not flushed may be there or not.

Source:
    SQLite, "Atomic Commit In SQLite", sections 2 and 9: what it assumes of a disk
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random

SECTOR = 512
"""Bytes that are written whole or not at all; less than a card's own unit."""

Files = Mapping[str, bytes]
"""What every file holds, by its name."""


@dataclass(frozen=True, slots=True)
class Made:
    """A file was made, empty."""

    name: str


@dataclass(frozen=True, slots=True)
class Written:
    """Bytes were written into a file."""

    name: str
    at: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Resized:
    """A file was cut off, or filled up with zeros."""

    name: str
    size: int


@dataclass(frozen=True, slots=True)
class Flushed:
    """A file was flushed; with a new one, the folder too."""

    name: str


@dataclass(frozen=True, slots=True)
class Removed:
    """A file was taken away; `is_flushed` says whether the folder was flushed too."""

    name: str
    is_flushed: bool


Operation = Made | Written | Resized | Flushed | Removed
Change = Written | Resized


def put(content: bytearray, change: Change) -> None:
    """Make one change to what a file holds."""
    if isinstance(change, Resized):
        grown = change.size - len(content)
        if grown > 0:
            content.extend(bytes(grown))
        del content[change.size :]
        return
    if not change.data:
        return  # nothing of it arrived
    if len(content) < change.at:
        content.extend(bytes(change.at - len(content)))
    content[change.at : change.at + len(change.data)] = change.data


@dataclass(slots=True)
class Kept:
    """One file on the card: what is sure of it, and what was not flushed yet."""

    sure: bytearray
    is_place_sure: bool
    pending: list[Change] = field(default_factory=list)

    def flush(self) -> None:
        """Make sure of all that was written."""
        for change in self.pending:
            put(self.sure, change)
        self.pending.clear()
        self.is_place_sure = True

    def left(self, rng: Random) -> bytes:
        """Return what a cut may leave."""
        content = bytearray(self.sure)
        for change in _survivors(self.pending, rng):
            put(content, change)
        return bytes(content)


@dataclass(slots=True)
class Card:
    """All files of a card, as one operation after another reaches it.

    Args:
        files: What is on it.
        lies: How often a flush is acknowledged and not done, 0 to 1.
        luck: Decides which ones.
    """

    files: dict[str, Kept]
    lies: float = 0.0
    luck: Random = field(default_factory=lambda: Random(0))
    ghosts: dict[str, Kept] = field(default_factory=dict)

    @classmethod
    def holding(cls, files: Files, lies: float = 0.0, seed: int = 0) -> "Card":
        """Return a card on which some files are safe."""
        on_it = {name: Kept(bytearray(data), True) for name, data in files.items()}
        return cls(on_it, lies, Random(seed))

    def take(self, operations: Iterable[Operation]) -> None:
        """Let operations reach the card."""
        for operation in operations:
            self._take(operation)

    def _take(self, operation: Operation) -> None:
        name = operation.name
        match operation:
            case Made():
                self.ghosts.pop(name, None)
                self.files[name] = Kept(bytearray(), False)
            case Flushed():
                if self.lies == 0.0 or self.luck.random() >= self.lies:
                    self._flush(self.files[name])
            case Removed():
                gone = self.files.pop(name)
                if operation.is_flushed:
                    self.ghosts.clear()
                else:
                    self.ghosts[name] = gone
            case Written() | Resized():
                self.files[name].pending.append(operation)

    def _flush(self, kept: Kept) -> None:
        # With a file that is new SQLite flushes the folder too, and what was taken
        # away from it before is gone for sure.
        if not kept.is_place_sure:
            self.ghosts.clear()
        kept.flush()

    def cut(self, rng: Random) -> dict[str, bytes]:
        """Return the files that a cut right now may leave; the card stays as it is."""
        left = {}
        for name, kept in self.files.items():
            if kept.is_place_sure or rng.random() < 0.5:
                left[name] = kept.left(rng)
        for name, kept in self.ghosts.items():
            if rng.random() < 0.5:
                left[name] = kept.left(rng)
        return left


def _survivors(pending: Sequence[Change], rng: Random) -> list[Change]:
    """Return which unflushed changes a cut leaves, in the order they take effect."""
    match rng.choice(("none", "all", "first", "any", "any order")):
        case "none":
            return []
        case "all":
            return list(pending)
        case "first":
            kept = list(pending[: rng.randint(0, len(pending))])
            return kept[:-1] + [_torn(change, rng) for change in kept[-1:]]
        case how:
            share = rng.random()
            kept = [change for change in pending if rng.random() < share]
            if how == "any order":
                rng.shuffle(kept)
            return [_torn(c, rng) if rng.random() < 0.2 else c for c in kept]


def _torn(change: Change, rng: Random) -> Change:
    """Return a write of which only one stretch of whole sectors arrived."""
    if isinstance(change, Resized):
        return change
    end = change.at + len(change.data)
    first_border = change.at - change.at % SECTOR + SECTOR
    borders = [change.at, *range(first_border, end, SECTOR), end]
    first, last = sorted((rng.choice(borders), rng.choice(borders)))
    data = change.data[first - change.at : last - change.at]
    return Written(change.name, first, data)
