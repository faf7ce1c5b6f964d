"""A table as Parquet, in row groups, so that a long one needs no more memory.

The values are those of the CSV; dates are dates in UTC, by the millisecond. The library
is large and needed by few: it is loaded on use and comes with the extra `parquet`.
"""

from itertools import islice
from pathlib import Path
from typing import Any

from logger.errors import StoreError
from logger.store.export.sheet import Column, Kind, Sheet, Value, rounded

ROWS_A_GROUP = 16_384
"""A few megabytes at once, and enough for columns to be packed well."""

US_PER_MS = 1000


def parquet_library() -> tuple[Any, Any]:
    """Return the two modules that write Parquet.

    Raises:
        StoreError: They are not installed.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as err:
        raise StoreError(
            where="--format parquet",
            saw="no pyarrow on this computer",
            fix="Install it with: pip install 'ampledger[parquet]'",
        ) from err
    return pyarrow, pyarrow.parquet


def write_parquet(sheet: Sheet, path: Path) -> None:
    """Write a table to a file.

    Args:
        sheet: The table; its rows are made as they are written.
        path: The file.

    Raises:
        OSError: The file takes no more.
        StoreError: The library is not installed.
    """
    arrow, parquet = parquet_library()
    types = {
        Kind.TEXT: arrow.string(),
        Kind.WHOLE: arrow.int64(),
        Kind.NUMBER: arrow.float64(),
        Kind.STAMP: arrow.timestamp("ms", tz="UTC"),
        Kind.DAY: arrow.date32(),
    }
    schema = arrow.schema([(each.name, types[each.kind]) for each in sheet.columns])
    values = [_value(column) for column in sheet.columns]
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        while rows := list(islice(sheet.rows, ROWS_A_GROUP)):
            columns = [
                arrow.array([value(cell) for cell in cells], type=field.type)
                for value, cells, field in zip(
                    values, zip(*rows, strict=True), schema, strict=True
                )
            ]
            writer.write_batch(arrow.record_batch(columns, schema=schema))


def _value(column: Column) -> Any:
    if column.kind is Kind.STAMP:
        return _milliseconds
    return rounded(column)


def _milliseconds(value: Value) -> int | None:
    return value // US_PER_MS if isinstance(value, int) else None
