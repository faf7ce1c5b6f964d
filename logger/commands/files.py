"""The options that say where log, snapshot and desk are."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any

import click

from logger.places import Files, desk_file, live_file, log_file


@dataclass(frozen=True, slots=True)
class Chosen:
    """The files that a person named; None for the usual place."""

    log: Path | None
    live: Path | None
    desk: Path | None

    def files(self) -> Files:
        """Return all three, the others in their usual places."""
        return Files(
            log=self.log or log_file(),
            snapshot=self.live or live_file(),
            desk=self.desk or desk_file(),
        )


def file_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the three options, as one argument `chosen`."""
    path = click.Path(path_type=Path, dir_okay=False)
    options = (
        ("--log", "log_file", "The log, default van.db in the program's data folder"),
        ("--live", "live_file", "The snapshot, default live.json in memory"),
        ("--desk", "desk_file", "What people enter, default desk.db in that folder"),
    )

    @wraps(command)
    def with_files(
        *args: Any, log_file: Path | None, live_file: Path | None,
        desk_file: Path | None, **others: Any,
    ) -> None:  # fmt: skip
        chosen = Chosen(log_file, live_file, desk_file)
        command(*args, chosen=chosen, **others)

    decorated: Callable[..., None] = with_files
    for option, name, text in reversed(options):
        decorated = click.option(option, name, metavar="FILE", type=path, help=text)(
            decorated
        )
    return decorated
