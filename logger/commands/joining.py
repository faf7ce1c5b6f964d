"""The command `join`: the runs of other logs of a van into one."""

import sys
from collections.abc import Iterator
from pathlib import Path

import click

from logger.commands.group import NEEDS_LOOK, examples
from logger.errors import StoreError
from logger.store.connect import Connection
from logger.store.identity import van_id
from logger.store.joining import Joined, join
from logger.store.reader import Log
from logger.store.recovering import Found
from logger.store.salvage import salvaging
from logger.store.soundness import find_damage
from logger.store.sources import LogSource
from logger.store.writer import Writer


@click.command(
    "join",
    epilog=examples(
        "ampledger join van.db old-card.db",
        "ampledger join van.db van.damaged-20260601T081500Z.db",
    ),
)
@click.argument(
    "log_file", metavar="DB", type=click.Path(path_type=Path, dir_okay=False)
)
@click.argument(
    "others",
    metavar="OTHER...",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
)
@click.option(
    "--same-van",
    is_flag=True,
    help="Join logs whose identities differ: they are of the same van all the same, "
    "for example because a card was replaced",
)
@click.pass_context
def join_logs(
    ctx: click.Context, log_file: Path, others: tuple[Path, ...], same_van: bool
) -> None:
    """Bring the runs of other logs of the same van into a log.

    Runs that both have are united: nothing is taken away, and joining again changes
    nothing. A damaged log gives what can still be read of it. The others are never
    changed. End the logger first.
    """
    for other in others:
        if other.exists() and log_file.exists() and other.samefile(log_file):
            raise click.BadParameter(f"{other} is the log itself.", param_hint="OTHER")
        if not same_van:
            _check_van(log_file, other)
    is_clean = True
    with Writer(log_file) as writer:
        for other in others:
            is_clean &= _join_one(writer, other)
        while writer.tidy():
            pass
    if not is_clean:
        ctx.exit(NEEDS_LOOK)


def _check_van(log_file: Path, other: Path) -> None:
    """Refuse the log of another van, as far as both can be read."""
    if not log_file.exists():
        return
    ids = []
    for path in (log_file, other):
        try:
            with Log(path) as log:
                known = van_id(log.connection)
        except StoreError:
            return  # damaged: what its pages say of the van is not to be relied on
        ids.append(None if known is None else known[0])
    if None not in ids and ids[0] != ids[1]:
        raise StoreError(
            where=str(other),
            saw="a log with another identity",
            fix="If it is of the same van, say so with --same-van.",
        )


def _join_one(writer: Writer, other: Path) -> bool:
    """Join one log; return whether all of it could be read."""
    joined, found = Joined(), Found()
    damage = find_damage(other, lambda: False)

    def steps(connection: Connection) -> Iterator[str]:
        if damage is not None:
            yield from salvaging(other, connection, joined, found)
            return
        with Log(other) as log:
            yield from join(LogSource(log), connection, joined)

    _show(str(other), writer.work(steps))
    click.echo(
        f"{other}: {joined.added} runs added, {joined.united} united,"
        f" {joined.seconds} seconds added."
    )
    if damage is not None:
        click.echo(f"It is damaged ({damage}): {found}.")
    if joined.damaged:
        rows = ", ".join(f"{n} of {table}" for table, n in joined.damaged.items())
        click.echo(f"Rows that could not be taken: {rows}.")
    if joined.is_between:
        click.echo(
            "Runs came in before others that were there: the later ones are counted as"
            f" they were. To count them anew: ampledger recompute {writer.path}"
        )
    return damage is None and not joined.damaged


def _show(label: str, steps: Iterator[str]) -> None:
    """Go through the steps; tell how far it is on a terminal."""
    is_terminal = sys.stderr.isatty()
    for step in steps:
        if is_terminal:
            click.echo(f"\r\x1b[K{label}: {step}", err=True, nl=False)
    if is_terminal:
        click.echo("\r\x1b[K", err=True, nl=False)
