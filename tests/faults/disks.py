"""Small disks that fill up, hang, refuse and break: real file systems, mounted.

Needs the right to mount. Each is taken away again whatever happens in between.
"""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

MIB = 1 << 20
WHOLE_BYTES = 1 << 16
"""Written at a time while a disk is being filled; then byte by byte."""


def ran(*words: str | Path) -> str:
    """Run a command of the system; return what it says."""
    done = subprocess.run(words, check=True, capture_output=True, text=True)
    return done.stdout.strip()


@cache
def cannot_mount() -> str:
    """Return why nothing can be mounted here; empty where it can be."""
    with TemporaryDirectory() as folder:
        try:
            with _mounted(Path(folder), "-t", "tmpfs", "-o", "size=1m", "tmpfs"):
                return ""
        except (OSError, subprocess.CalledProcessError) as err:
            return f"cannot mount a file system: {err}"


@contextmanager
def _mounted(place: Path, *words: str) -> Iterator[None]:
    ran("mount", *words, place)
    try:
        yield
    finally:
        # Lazily: a test that failed may have left a file open on it.
        with suppress(subprocess.CalledProcessError):
            ran("umount", "--lazy", place)


@dataclass(frozen=True, slots=True)
class Disk:
    """A mounted file system of its own.

    Args:
        place: Where it is mounted.
    """

    place: Path

    @property
    def log(self) -> Path:
        """Where a log lies on it."""
        return self.place / "van.db"

    @property
    def ballast(self) -> Path:
        """What fills it up."""
        return self.place / "ballast"

    def fill(self, all_but: int = 0) -> None:
        """Take all the room that is left, but so many bytes."""
        with self.ballast.open("ab", buffering=0) as file:
            size = WHOLE_BYTES
            while size:
                try:
                    file.write(bytes(size))
                except OSError:
                    size //= 2
            file.truncate(max(0, file.tell() - all_but))

    def make_room(self) -> None:
        """Give the room back."""
        self.ballast.unlink()


@contextmanager
def small_disk(folder: Path, size_mib: int = 3) -> Iterator[Disk]:
    """Mount a small disk in memory."""
    place = folder / "disk"
    place.mkdir()
    with _mounted(place, "-t", "tmpfs", "-o", f"size={size_mib}m", "tmpfs"):
        yield Disk(place)


@dataclass(frozen=True, slots=True)
class Card(Disk):
    """A card with a file system as a van's has it, kept in one file.

    Args:
        place: Where it is mounted.
        image: The file.
    """

    image: Path

    @property
    def trigger(self) -> Path:
        """What the kernel takes for an error of the file system."""
        device = Path(ran("findmnt", "-no", "SOURCE", self.place)).name
        return Path("/sys/fs/ext4") / device / "trigger_fs_error"

    def break_down(self) -> None:
        """Let the kernel find an error on it: from then on it is read-only."""
        self.trigger.write_text("a test")
        # What nobody has written back yet is refused now, not half a minute later.
        subprocess.run(["sync", "-f", self.place], check=False, capture_output=True)

    @property
    def _written(self) -> list[Path]:
        # Not the index of the WAL: it is memory that is shared, never written to.
        return [self.log, self.log.with_name("van.db-wal")]

    def refuse(self) -> None:
        """Refuse every write to the log's files, also to one that has them open."""
        ran("chattr", "+i", *self._written)

    def accept(self) -> None:
        """Take writes again."""
        ran("chattr", "-i", *self._written)

    def remount(self, how: str) -> None:
        """Mount it `ro` or `rw` from now on; nobody may have a file open to write."""
        ran("mount", "-o", f"remount,{how}", self.place)

    @contextmanager
    def hanging(self) -> Iterator[None]:
        """Let every write hang for a while."""
        ran("fsfreeze", "--freeze", self.place)
        try:
            yield
        finally:
            ran("fsfreeze", "--unfreeze", self.place)

    def put_in_again(self) -> None:
        """Take it out, mend its file system and put it in at the same place."""
        ran("umount", "--lazy", self.place)
        # 1 means mended.
        subprocess.run(["e2fsck", "-p", self.image], check=False, capture_output=True)
        ran("mount", "-o", CARD_OPTIONS, self.image, self.place)


CARD_OPTIONS = "loop,errors=remount-ro"


@contextmanager
def card(folder: Path, size_mib: int = 32) -> Iterator[Card]:
    """Mount a card with ext4 on it."""
    place, image = folder / "card", folder / "card.img"
    place.mkdir()
    with image.open("wb") as file:
        file.truncate(size_mib * MIB)
    ran("mkfs.ext4", "-q", image)
    with _mounted(place, "-o", CARD_OPTIONS, str(image)):
        yield Card(place, image)


@cache
def cannot_mount_cards() -> str:
    """Return why no file with a file system can be mounted here; empty if it can."""
    with TemporaryDirectory() as folder:
        try:
            with card(Path(folder)) as mounted:
                is_there = mounted.trigger.exists()
        except (OSError, subprocess.CalledProcessError) as err:
            return f"cannot mount a card: {err}"
    return "" if is_there else "no way to let the kernel find an error"
