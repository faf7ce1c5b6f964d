"""How the rows of a table lie in a log: the order of their columns, and their key.

Told by the file's own tables, so that a change of the tables needs none here.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from logger.store.connect import Connection

Row = tuple[Any, ...]
"""One row of a table, in the order of its shape."""


@dataclass(frozen=True, slots=True)
class Field:
    """One column: its name, SQLite type, and whether it may be NULL."""

    name: str
    sql_type: str
    is_needed: bool


@dataclass(frozen=True, slots=True)
class Shape:
    """One table.

    Attributes:
        table: Its name.
        fields: Its columns as a row lies in the file, those of the key first.
        key: How many of them are the key.
        has_number: True where rows are kept by a number, the first column.
    """

    table: str
    fields: tuple[Field, ...]
    key: int
    has_number: bool

    @property
    def columns(self) -> tuple[str, ...]:
        """The names of its columns."""
        return tuple(each.name for each in self.fields)

    @property
    def comma(self) -> str:
        """The names of its columns as they stand in a statement."""
        return ", ".join(self.columns)

    @property
    def marks(self) -> str:
        """One mark for each column, as they stand in a statement."""
        return ", ".join("?" * len(self.fields))

    @property
    def insert(self) -> str:
        """The statement that stores a row where its key is not there yet."""
        into = f"{self.table} ({self.comma}) VALUES ({self.marks})"
        return f"INSERT OR IGNORE INTO {into}"

    def named(self, row: Sequence[Any]) -> dict[str, Any]:
        """Return a row by the names of its columns."""
        return dict(zip(self.columns, row, strict=True))


def shape_of(connection: Connection, table: str) -> Shape:
    """Return the shape of a table of an open log."""
    rows = connection.execute(
        'SELECT name, type, "notnull", pk FROM pragma_table_info(?)', (table,)
    ).fetchall()
    (sql,) = connection.execute(
        "SELECT sql FROM sqlite_schema WHERE name = ?", (table,)
    ).fetchone()
    keyed = sorted((row for row in rows if row[3]), key=lambda row: row[3])
    others = [row for row in rows if not row[3]]
    fields = [
        Field(name, sql_type, bool(needed or pk))
        for name, sql_type, needed, pk in (*keyed, *others)
    ]
    has_number = not sql.endswith("WITHOUT ROWID") and keyed[0][1] == "INTEGER"
    return Shape(table, tuple(fields), len(keyed), has_number)
