"""Another log as the source of a joining, read with short queries.

Each portion is a query of its own: the other log may be open for writing elsewhere.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from logger.store.reader import Log
from logger.store.shapes import Row, Shape, shape_of

ROWS_A_QUERY = 256


@dataclass(slots=True)
class LogSource:
    """The rows of a log that SQLite can read.

    Args:
        log: The log, open for reading.
    """

    log: Log
    _shapes: dict[str, Shape] = field(default_factory=dict)

    def is_whole(self) -> bool:
        """Return True: what cannot be read ends the joining instead."""
        return True

    def rows(self, table: str, *key: int) -> Iterator[Row]:
        """Yield the rows of a table whose key begins so, in the order of its shape.

        Raises:
            sqlite3.DatabaseError: A page cannot be read.
        """
        if table not in self._shapes:
            self._shapes[table] = shape_of(self.log.connection, table)
        shape = self._shapes[table]
        keyed = shape.columns[: shape.key]
        order = ", ".join(keyed)
        marks = ", ".join("?" * len(keyed))
        head = "".join(f" AND {name} = ?" for name in keyed[: len(key)])
        sql = f"SELECT {shape.comma} FROM {table} WHERE 1{head}"  # noqa: S608
        tail = f" ORDER BY {order} LIMIT {ROWS_A_QUERY}"
        rows = self.log.connection.execute(sql + tail, key).fetchall()
        while rows:
            yield from rows
            if len(rows) < ROWS_A_QUERY:
                return
            newest = rows[-1][: shape.key]
            after = f" AND ({order}) > ({marks})"
            rows = self.log.connection.execute(
                sql + after + tail, (*key, *newest)
            ).fetchall()
