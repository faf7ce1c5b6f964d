"""The command `restore`: a copy in the place of a log that is lost or damaged."""

from pathlib import Path

import click

from logger.clock import Clock
from logger.commands.group import examples
from logger.errors import StoreError
from logger.store.copying import copies
from logger.store.reader import iso_utc
from logger.store.restoring import Content, content_of, put_back, sound_content


@click.command(
    epilog=examples(
        "ampledger restore van.db", "ampledger restore van.db copies/van-2026-06-01.db"
    )
)
@click.argument(
    "log_file", metavar="DB", type=click.Path(path_type=Path, dir_okay=False)
)
@click.argument(
    "copy",
    metavar="[COPY]",
    required=False,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
)
@click.option(
    "--copy-folder",
    metavar="FOLDER",
    type=click.Path(path_type=Path, file_okay=False),
    help="Where to look for copies, default the folder of the log",
)
def restore(log_file: Path, copy: Path | None, copy_folder: Path | None) -> None:
    """Put a copy in the place of a log, after checking all of it.

    Without COPY it lists the copies there are. The log that was there is set aside
    under another name, with all that belongs to it. End the logger first.
    """
    if copy is None:
        _list(log_file, copy_folder or log_file.parent)
        return
    content = sound_content(copy)
    _check_van(log_file, copy, content)
    aside = put_back(log_file, copy, Clock().wall_us())
    click.echo(f"{log_file} is now the copy {copy}: {_words(content)}.")
    if aside is not None:
        click.echo(
            f"The log that was there is kept as {aside}. What it has more can be"
            f" brought over: ampledger join {log_file} {aside}"
        )


def _list(log_file: Path, folder: Path) -> None:
    found = copies(log_file, folder)
    if not found:
        click.echo(f"There is no copy of {log_file.name} in {folder}.")
    for each in found:
        try:
            words = _words(content_of(each))
        except StoreError as err:
            words = err.faults[0].saw
        click.echo(f"{each}: {words}")


def _words(content: Content) -> str:
    newest = iso_utc(content.newest_us)
    until = f", the newest second {newest}" if newest else ""
    return f"{content.runs} runs{until}"


def _check_van(log_file: Path, copy: Path, content: Content) -> None:
    """Refuse a copy of another van's log, as far as the log can still be read."""
    try:
        van = content_of(log_file).van
    except StoreError:
        return
    if van and content.van and van != content.van:
        raise StoreError(
            where=str(copy),
            saw="the log of another van",
            fix="Give a copy of this log, or another name for the log.",
        )
