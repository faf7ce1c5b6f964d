"""Makes a sound file out of a damaged one: every row that its pages still hold.

Trees are walked from their roots. Leaves that no walk reaches, because a page above
them is destroyed, are told by the shape of their rows; what could be of two tables is
left out rather than guessed. The damaged file is only read.
"""

import sqlite3
import struct
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from logger.store.migrations import APPLICATION_ID, MIGRATIONS, migrate
from logger.store.pages import (
    INDEX_LEAF,
    INDEX_NODE,
    TABLE_LEAF,
    BadPageError,
    Page,
    Pages,
)
from logger.store.shapes import Field, Row, Shape, shape_of

PAGES_A_STEP = 64
MINUTE_S = 120.0
"""A row of a minute covers no more, however slow its source; a quarter mostly does."""

UNKNOWN_VAN = "[van]\nname = 'Van'\n"


@dataclass(frozen=True, slots=True)
class Root:
    """One tree of the damaged file: a table, or an index (without a shape)."""

    page: int
    shape: Shape | None


@dataclass(slots=True)
class Found:
    """What was found in a damaged file.

    Attributes:
        rows: Rows that could be read, by table.
        lost_pages: Pages of trees that make no sense.
        lost_rows: Rows that make no sense, in pages that do.
        unknown_pages: Pages with rows that could be of two tables.
    """

    rows: dict[str, int] = field(default_factory=dict)
    lost_pages: int = 0
    lost_rows: int = 0
    unknown_pages: int = 0

    @property
    def is_whole(self) -> bool:
        """True where nothing was missing."""
        return not (self.lost_pages or self.lost_rows or self.unknown_pages)

    def __str__(self) -> str:
        parts = [
            (self.lost_pages, "pages were destroyed"),
            (self.lost_rows, "rows were destroyed"),
            (self.unknown_pages, "pages could not be told apart"),
        ]
        told = ", ".join(f"{count} {words}" for count, words in parts if count)
        return told or "nothing is missing"


def recover(source: Path, scratch: Path, found: Found) -> Iterator[str]:
    """Write every readable row of a damaged log into a new file, step by step.

    Args:
        source: The damaged log; a WAL beside it is read with it.
        scratch: The new file; what is there is overwritten.
        found: What was found is counted there.

    Yields:
        How far it is, in words.

    Raises:
        OSError, sqlite3.Error: A file cannot be read or written.
    """
    scratch.unlink(missing_ok=True)
    with (
        Pages(source) as pages,
        closing(sqlite3.connect(scratch, isolation_level=None)) as connection,
    ):
        connection.execute("PRAGMA journal_mode = OFF").fetchone()
        connection.execute("PRAGMA synchronous = OFF")
        recovery = _Recovery(pages, connection, found)
        yield from recovery.steps()


@dataclass(slots=True)
class _Recovery:
    pages: Pages
    connection: sqlite3.Connection
    found: Found
    seen: set[int] = field(default_factory=set)
    shapes: dict[str, Shape] = field(default_factory=dict)

    def steps(self) -> Iterator[str]:
        roots = self._make_tables()
        yield "tables"
        for root in roots:
            for count, number in enumerate(self._walk(root.page), start=1):
                page = self._page(number)
                if root.shape is not None and page is not None:
                    self._take(root.shape, page)
                if count % PAGES_A_STEP == 0:
                    yield "" if root.shape is None else root.shape.table
        rooted = {root.shape.table for root in roots if root.shape is not None}
        if self.found.lost_pages or rooted != self.shapes.keys():
            yield from self._orphans()
        self._adopt_runs()
        yield "runs"

    def _make_tables(self) -> list[Root]:
        """Make the tables of the damaged file; return where its trees begin."""
        rows = []
        for number in self._walk(1):
            page = self._page(number)
            rows += [] if page is None else [cell.record for cell in page.cells]
        named = [row for row in rows if len(row) == 5 and isinstance(row[3], int)]
        if not self._has_copied(named):
            migrate(self.connection, "scratch", now_us=0)
            self.connection.execute("DELETE FROM schema_change")
        tables = self.connection.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table'"
        ).fetchall()
        self.shapes = {name: shape_of(self.connection, name) for (name,) in tables}
        return [Root(row[3], self.shapes.get(row[1])) for row in named if row[3] > 1]

    def _has_copied(self, named: list[Row]) -> bool:
        """Make the tables just as they were; return False where that is not known."""
        # Tables of today are known, whatever is left of what the file says of them.
        if self._version(named) == len(MIGRATIONS):
            return False
        if not any(row[1] == "run" for row in named):
            return False
        self.connection.execute("BEGIN")
        try:
            for *_, sql in named:
                if sql:
                    self.connection.execute(str(sql))
            self.connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            version = self._version(named)
            self.connection.execute(f"PRAGMA user_version = {version}")
        except sqlite3.Error:
            self.connection.execute("ROLLBACK")
            return False
        self.connection.execute("COMMIT")
        return True

    def _version(self, named: Iterable[Row]) -> int:
        """Return the version of the tables, by the file or by what tables there are."""
        try:
            (version,) = struct.unpack_from(">I", self.pages.bytes_of(1), 60)
        except BadPageError:
            version = 0
        if 1 <= version <= len(MIGRATIONS):
            return int(version)
        names = {row[1] for row in named}
        return 3 if "van_file" in names else 2 if "balance" in names else 1

    def _walk(self, root: int) -> Iterator[int]:
        """Yield the pages of a tree that can be read; count the others as lost."""
        left = [root]
        while left:
            number = left.pop()
            if number in self.seen:
                continue
            self.seen.add(number)
            page = self._page(number)
            if page is None:
                self.found.lost_pages += 1
                continue
            self.found.lost_rows += page.lost
            if not page.is_leaf:
                left.append(page.last_child)
                left += [cell.child for cell in reversed(page.cells)]
            yield number

    def _page(self, number: int) -> Page | None:
        try:
            return self.pages.page(number)
        except BadPageError:
            return None

    def _take(self, shape: Shape, page: Page) -> None:
        """Store the rows of a page of a table."""
        rows = [row for row in _rows(shape, page) if _fits(shape, row)]
        by_length: dict[int, list[Row]] = {}
        for row in rows:
            by_length.setdefault(len(row), []).append(row)
        for length, alike in by_length.items():
            columns = ", ".join(shape.columns[:length])
            marks = ", ".join("?" * length)
            self.connection.executemany(
                f"INSERT OR IGNORE INTO {shape.table} ({columns})"  # noqa: S608
                f" VALUES ({marks})",
                alike,
            )
        count = self.found.rows.get(shape.table, 0)
        self.found.rows[shape.table] = count + len(rows)

    def _orphans(self) -> Iterator[str]:
        """Take leaves that no walk has reached and that are not known to be free."""
        free = self._free()
        for number in range(2, self.pages.count + 1):
            if number % PAGES_A_STEP == 0:
                yield "single pages"
            if number in self.seen or number in free or number in self.pages.touched:
                continue
            page = self._page(number)
            if page is None or not page.cells:
                continue
            shapes = [each for each in self.shapes.values() if _is_of(each, page)]
            if len(shapes) > 1:
                shapes = _told_apart(shapes, page)
            if len(shapes) == 1:
                self._take(shapes[0], page)
            elif shapes:
                self.found.unknown_pages += 1

    def _free(self) -> set[int]:
        """Return the pages that are not in use, as far as that can be read."""
        free: set[int] = set()
        try:
            (trunk,) = struct.unpack_from(">I", self.pages.bytes_of(1), 32)
            while trunk and trunk not in free:
                data = self.pages.bytes_of(trunk)
                following, count = struct.unpack_from(">II", data)
                free.add(trunk)
                free |= set(struct.unpack_from(f">{count}I", data, 8))
                trunk = following
        except (BadPageError, struct.error):
            pass  # what is free then looks like what was lost, and is taken
        return free

    def _adopt_runs(self) -> None:
        """Give rows whose run is lost a run that says so, undated."""
        for table, shape in self.shapes.items():
            if "run" not in shape.columns or table == "run":
                continue
            own = "van_text" if "van_text" in self.shapes["run"].columns else "uid"
            sql = (
                "INSERT OR IGNORE INTO run (id, is_start_sure, zero_stamp_us, program,"  # noqa: S608 (our own names)
                f" descriptions, {own}) SELECT DISTINCT run, 0, 0, 'salvaged', '{{}}',"
                f" ? || run FROM {table} WHERE run NOT IN (SELECT id FROM run)"
            )
            self.connection.execute(sql, (f"{UNKNOWN_VAN}# ",))
        if "van_file" in self.shapes:
            self.connection.execute(
                "INSERT INTO van_file (sha256, text) SELECT '', ?"
                " WHERE NOT EXISTS (SELECT 1 FROM van_file)",
                (UNKNOWN_VAN,),
            )
            self.connection.execute(
                "UPDATE run SET van_file = (SELECT max(id) FROM van_file)"
                " WHERE van_file NOT IN (SELECT id FROM van_file) OR van_file IS NULL"
            )


def _rows(shape: Shape, page: Page) -> Iterator[Row]:
    """Yield the rows of a page, a number of their own in the place it has in them."""
    for cell in page.cells:
        if not cell.record:
            continue
        if shape.has_number:
            yield (cell.number, *cell.record[1:])
        else:
            yield cell.record


def _fits(shape: Shape, row: Row) -> bool:
    """Return whether a row may be one of a table, by the kinds of its values."""
    if not shape.key <= len(row) <= len(shape.fields):
        return False
    return all(map(_is_value, shape.fields, row))


_KINDS: dict[str, tuple[type, ...]] = {
    "INTEGER": (int,),
    "REAL": (float, int),
    "TEXT": (str,),
    "BLOB": (bytes,),
}


def _is_value(told: Field, value: object) -> bool:
    if value is None:
        return not told.is_needed
    return isinstance(value, _KINDS.get(told.sql_type, (object,)))


def _is_of(shape: Shape, page: Page) -> bool:
    """Return whether every row of a page may be one of a table."""
    kinds = (TABLE_LEAF,) if shape.has_number else (INDEX_LEAF, INDEX_NODE)
    rows = list(_rows(shape, page))
    return (
        page.kind in kinds
        and bool(rows)
        and all(len(row) == len(shape.fields) and _fits(shape, row) for row in rows)
    )


def _told_apart(shapes: list[Shape], page: Page) -> list[Shape]:
    """Return the one of several tables that rows of a page are of, if one can tell."""
    by_name = {shape.table: shape for shape in shapes}
    if by_name.keys() != {"minute", "quarter"}:
        return shapes
    at = by_name["minute"].columns.index("covered_s")
    longest_s = max(row[at] for row in _rows(by_name["minute"], page))
    return [by_name["quarter" if longest_s > MINUTE_S else "minute"]]
