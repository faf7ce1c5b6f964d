"""A table as CSV: one header line, UTF-8, a line feed behind every row."""

import csv
from typing import TextIO

from logger.store.export.sheet import Sheet, teller


def write_csv(sheet: Sheet, file: TextIO) -> None:
    """Write a table with its header.

    Args:
        sheet: The table; its rows are made as they are written.
        file: Open for writing, with `newline=""`.

    Raises:
        OSError: The file takes no more.
    """
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(sheet.header)
    tellers = [teller(column) for column in sheet.columns]
    writer.writerows(
        [tell(value) for tell, value in zip(tellers, row, strict=True)]
        for row in sheet.rows
    )
    file.flush()
