"""Where an export goes: in its form, whole or not at all, and never over the log."""

import io
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TextIO, cast

from logger.errors import StoreError
from logger.store.export.choice import Extract
from logger.store.export.csv_file import write_csv
from logger.store.export.gpx_file import write_gpx
from logger.store.export.making import Form, What, sheet
from logger.store.export.parquet_file import parquet_library, write_parquet
from logger.store.export.places import places
from logger.store.export.port_file import write_port

TextJob = Callable[[TextIO], None]

COMPANIONS = ("", "-wal", "-shm", "-journal")
"""What SQLite keeps beside a log, and the log itself."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where an export goes.

    Attributes:
        output: The file; None for standard output.
        log_file: The log, which must not be lost.
        port: Whose text is wanted, where there are several.
    """

    output: Path | None
    log_file: Path
    port: str | None = None


def write(extract: Extract, what: What, form: Form, target: Target) -> list[str]:
    """Write an export.

    Args:
        extract: Which part of which log.
        what: What of it.
        form: As what kind of file; it must go together with `what`.
        target: Where to; Parquet, BLF, TRC and text need a file.

    Returns:
        What a person should know of what was written, a sentence each.

    Raises:
        StoreError: It cannot be written, or would take the place of the log.
    """
    match form:
        case Form.CSV:
            _write_text(target, lambda file: write_csv(sheet(extract, what), file))
        case Form.GPX:
            program = f"ampledger {version('ampledger')}"
            _write_text(target, lambda file: write_gpx(places(extract), program, file))
        case Form.PARQUET:
            parquet_library()
            with _made(target) as path:
                write_parquet(sheet(extract, what), path)
        case Form.CANDUMP | Form.ASC | Form.BLF | Form.TRC:
            return _write_can(extract, form, target)
        case Form.TEXT:
            with _made(target) as path, path.open("wb") as file:
                return write_port(extract, target.port, file)
    return []


def _write_can(extract: Extract, form: Form, target: Target) -> list[str]:
    # python-can takes its time to load, and only these forms need it.
    from logger.store.export import can_file

    log = can_file.CanLog(extract)
    match form:
        case Form.CANDUMP:
            _write_text(target, lambda file: can_file.write_candump(log, file))
            return log.notes()
        case Form.ASC:
            _write_text(target, lambda file: can_file.write_asc(log, file))
        case Form.TRC:
            _write_text(target, lambda file: can_file.write_trc(log, file))
        case _:
            with _made(target) as path, path.open("wb") as file:
                can_file.write_blf(log, file)
    numbers = log.channels.numbers.items()
    return [*(f"Channel {number} is {name}." for name, number in numbers), *log.notes()]


def _write_text(target: Target, job: TextJob) -> None:
    if target.output is None:
        _write_out(job)
        return
    with _made(target) as path, path.open("w", encoding="utf-8", newline="") as file:
        job(file)


class _StaysOpen(io.TextIOBase):
    """Standard output for writers that close what they have written."""

    def write(self, text: str, /) -> int:
        return sys.stdout.write(text)

    def flush(self) -> None:
        sys.stdout.flush()

    def close(self) -> None:
        sys.stdout.flush()


def _write_out(job: TextJob) -> None:
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8")
    try:
        job(cast(TextIO, _StaysOpen()))
    except BrokenPipeError:
        raise  # the reader has gone: click ends quietly
    except OSError as err:
        raise StoreError(
            where="standard output",
            saw=_reason(err),
            fix="See that what reads it has room.",
        ) from err


@contextmanager
def _made(target: Target) -> Iterator[Path]:
    """Give a place beside a file, and move it there once it is whole.

    Raises:
        StoreError: It cannot be written, or would take the place of the log.
    """
    output = target.output
    assert output is not None, "a form that needs a file was given none"
    beside = output.with_name(output.name + ".part")
    for path in (output, beside):
        if _is_log(path, target.log_file):
            fix = "Give another file; this one would be lost."
            raise StoreError(where=str(path), saw="the log itself", fix=fix)
    place = beside if output.is_file() or not output.exists() else output
    try:
        yield place
        if place is beside:
            beside.replace(output)
    except BaseException as err:
        if place is beside:
            beside.unlink(missing_ok=True)
        if not isinstance(err, OSError):
            raise
        raise StoreError(
            where=str(output),
            saw=_reason(err),
            fix="Give a file in a folder that you may write and that has room.",
        ) from err


def _is_log(path: Path, log_file: Path) -> bool:
    """Return whether a file is the log, or one that SQLite keeps beside it."""
    if path.exists() and path.samefile(log_file):
        return True
    whole = log_file.resolve()
    kept = {whole.with_name(whole.name + each) for each in COMPANIONS}
    return path.resolve() in kept


def _reason(err: OSError) -> str:
    return (err.strerror or str(err)).lower()
