"""How far long work is, on stderr: a bar on a terminal, else a line now and then."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

from logger.clock import Clock

LINE_EVERY_US = 10_000_000
"""Short work says nothing, and long work not too much."""

Tell = Callable[[int], None]
"""Takes how much is done, in the measure of the whole."""


@contextmanager
def shown(
    label: str, total: int, is_terminal_free: bool, clock: Clock | None = None
) -> Iterator[Tell]:
    """Give what tells how far some work is.

    Args:
        label: What is being done.
        total: How much there is to do, in any measure.
        is_terminal_free: False where the work itself writes to the terminal.
        clock: By which a line is due; None for the computer's own.
    """
    if sys.stderr.isatty() and is_terminal_free:
        with click.progressbar(length=total, label=label, file=sys.stderr) as bar:
            yield lambda done: bar.update(done - bar.pos)
        return
    yield _plain(label, total, clock or Clock())


def _plain(label: str, total: int, clock: Clock) -> Tell:
    told_us = clock.mono_us()

    def tell(done: int) -> None:
        nonlocal told_us
        now_us = clock.mono_us()
        if now_us - told_us >= LINE_EVERY_US and total > 0:
            told_us = now_us
            click.echo(f"{label}: {min(done * 100 // total, 100)} %", err=True)

    return tell
