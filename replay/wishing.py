"""The options with which a person tells what a recording does not."""

from collections.abc import Callable
from functools import wraps
from typing import Any

import click

from replay.formats.stamping import Wish


def wish_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the three options, as one argument `wish`."""

    @wraps(command)
    def with_wish(
        *args: Any, every_s: float | None, by_sentences: bool, port: str | None,
        **others: Any,
    ) -> None:  # fmt: skip
        command(*args, wish=Wish(every_s, by_sentences, port), **others)

    options = (
        click.option(
            "--every",
            "every_s",
            metavar="SECONDS",
            type=click.FloatRange(min=1e-6, max=86_400),
            help="Seconds between two lines of a file without time stamps; such a "
            "file is refused otherwise",
        ),
        click.option(
            "--by-sentences",
            is_flag=True,
            help="Take the times of a satellite receiver's text from its sentences",
        ),
        click.option(
            "--port",
            metavar="NAME",
            help="The port that a file of text lines came from, default the only one",
        ),
    )
    decorated: Callable[..., None] = with_wish
    for option in reversed(options):
        decorated = option(decorated)
    return decorated
