"""The command `log`: the logger alone."""

import logging
from pathlib import Path

import click

from logger.clock import Clock
from logger.commands.files import Chosen, file_options
from logger.commands.group import SHORT_CAUTION, examples
from logger.commands.supervising import stop_on_signals
from logger.daemon.running import run_logger
from logger.van.reading import read_van


@click.command(
    epilog=examples(
        "ampledger log van.toml", "ampledger log --log /srv/van.db /etc/van.toml"
    )
)
@click.argument("van_file", metavar="VAN.toml", type=click.Path(path_type=Path))
@file_options
def log(van_file: Path, chosen: Chosen) -> None:
    """Log a van: listen to its buses and ports, count and store, until told to end.

    Ends within 2 s of Ctrl-C or SIGTERM; what was heard until then is stored.
    """
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s")
    van = read_van(van_file)
    stop = stop_on_signals()
    files = chosen.files()
    click.echo(f"Logging {van.settings.van.name} into {files.log}")
    click.echo(SHORT_CAUTION)
    run_logger(van, files, Clock(), stop)
