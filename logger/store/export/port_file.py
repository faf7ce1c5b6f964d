"""The lines of one serial port as plain text, as they came in, without their times."""

from typing import BinaryIO

from logger.decode.frames import Line
from logger.errors import StoreError
from logger.store.export.choice import Extract
from logger.store.export.frames import raw

LINE_END = b"\r\n"
"""NMEA 0183 ends its sentences so."""


def write_port(extract: Extract, port: str | None, file: BinaryIO) -> list[str]:
    """Write the lines of a port.

    Args:
        extract: What is written.
        port: Name of the port in the van file; None where only one was heard.
        file: Open for writing.

    Returns:
        What a person should know of what was written, a sentence each.

    Raises:
        StoreError: Lines of two ports, and nobody said which.
        OSError: The file takes no more.
    """
    count, only = 0, port
    for _, item in raw(extract):
        if not isinstance(item, Line):
            continue
        only = only or item.port
        if item.port == only:
            file.write(item.data + LINE_END)
            count += 1
        elif port is None:
            raise StoreError(
                where=str(extract.log.path),
                saw=f"lines of the ports {only} and {item.port}",
                fix="Say which one with --port.",
            )
    told = "no port" if only is None else f"the port {only}"
    lines = "1 line" if count == 1 else f"{count} lines"
    return [f"{lines} of {told}, without their times; the format csv has them."]
