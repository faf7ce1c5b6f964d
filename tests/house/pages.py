"""Writes the parts of the manual that are made from the code.

A generated part stands between two marker comments; what is outside is written by
hand. `python -m tests.house.pages` rewrites the parts; a test fails where a page is not
what this module would write.
"""

import hashlib
import inspect
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from importlib.metadata import entry_points
from itertools import groupby
from pathlib import Path
from typing import cast, get_args

import click
from pydantic.fields import FieldInfo

from logger.commands.group import group
from logger.core.derived import POWER_ROWS, SHARES
from logger.core.ledger import BOOKED_PATTERNS
from logger.quantities import QUANTITIES, Quantity
from logger.store.schema import TABLES, Table
from logger.van.faults import kind
from logger.van.section import Section
from logger.van.settings import REPEATED, SINGLE

ROOT = Path(__file__).parents[2]
MANUAL = ROOT / "dashboard" / "manual"
DATA = ROOT / "tests" / "data"
EXAMPLE = DATA / "example"
OWN_FILES = ("*/*van.toml", "example/*")
"""Which test data are our own; whatever else is there was made by others."""

PART = re.compile(
    r"<!-- made from the code: (?P<name>[a-z-]+) -->\n.*?<!-- end -->\n", re.DOTALL
)
LIMIT_WORDS = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}


def main() -> None:
    """Rewrite every page whose generated parts are out of date."""
    for page in pages():
        before = page.read_text(encoding="utf-8")
        after = rewritten(before)
        if after != before:
            page.write_text(after, encoding="utf-8")
            sys.stdout.write(f"{page.relative_to(ROOT)} rewritten\n")


def pages() -> list[Path]:
    """Return the pages of the manual, and the list of test data."""
    return [*sorted(MANUAL.glob("*.md")), DATA / "README.md"]


def rewritten(text: str) -> str:
    """Return a page with its generated parts as they should be."""
    return PART.sub(lambda match: _part(match["name"]), text)


def _part(name: str) -> str:
    body = "\n".join(PARTS[name]()).strip("\n")
    return f"<!-- made from the code: {name} -->\n\n{body}\n\n<!-- end -->\n"


def commands() -> dict[str, click.Command]:
    """Return every sub-command of the project by name."""
    points = entry_points(group="ampledger.commands")
    return {
        point.name: cast(click.Command, point.load())
        for point in sorted(points, key=lambda each: each.name)
    }


def _table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    yield "| " + " | ".join(header) + " |"
    yield "|" + "---|" * len(header)
    for row in rows:
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |"


def _number(value: float) -> str:
    return f"{value:.15g}"


def _channels() -> Iterator[str]:
    header = ("channel", "what it is", "unit", "plausible", "positive means")
    for part, quantities in groupby(QUANTITIES, key=lambda each: each.part):
        yield f"### {part}\n"
        yield from _table(header, (_channel_row(each) for each in quantities))
        yield ""


def _channel_row(quantity: Quantity) -> Sequence[str]:
    span = f"{_number(quantity.low)} to {_number(quantity.high)}"
    if quantity.is_coded:
        span = ", ".join(f"{code.number} {code.label}" for code in quantity.codes)
    return (
        f"`{quantity.pattern}`",
        quantity.label,
        quantity.unit.symbol,
        span,
        quantity.sign,
    )


def _worked_out() -> Iterator[str]:
    rows = [
        (f"`{result}`", f"`{trigger}` times `{_held(trigger, held)}`")
        for result, trigger, held in POWER_ROWS
    ]
    rows += [
        (
            f"`{row.result}`",
            f"the {'positive' if row.factor > 0 else 'negative'} part of "
            f"`{row.trigger}`, shown as a positive number",
        )
        for row in SHARES
    ]
    rows.append(
        ("`road.speed_mps`", "`motor.speed_rpm` and the section `[wheels]`, if given")
    )
    return _table(("channel", "made from"), rows)


def _held(trigger: str, held: str) -> str:
    """Spell out a held name that begins with a dot: it belongs to the same part."""
    return f"{trigger.rsplit('.', 1)[0]}{held}" if held.startswith(".") else held


def _accounts() -> Iterator[str]:
    known = (each.pattern for each in QUANTITIES if each.pattern in BOOKED_PATTERNS)
    return (f"- `{pattern}`" for pattern in known)


def _settings() -> Iterator[str]:
    repeated = {key: model for key, (_, model) in REPEATED.items()}
    for forms, models in (("[{}]", SINGLE), ("[[{}]]", repeated)):
        for key, model in models.items():
            yield from _section(forms.format(key), model)


def _section(title: str, model: type[Section]) -> Iterator[str]:
    yield f"### `{title}`\n"
    yield f"{(model.__doc__ or '').strip()}\n"
    header = ("key", "what it holds", "kind", "limits", "if left out")
    yield from _table(
        header, (_key_row(key, info) for key, info in model.model_fields.items())
    )
    yield ""


def _key_row(key: str, info: FieldInfo) -> Sequence[str]:
    limits = [
        f"{word} {_number(getattr(rule, name))}"
        for rule in info.metadata
        for name, word in LIMIT_WORDS.items()
        if hasattr(rule, name)
    ]
    return (
        f"`{key}`",
        info.description or "",
        _kind(info),
        ", ".join(limits),
        _default(info),
    )


def _kind(info: FieldInfo) -> str:
    if str in get_args(info.annotation) and kind(info) == "a list":
        return "a text or a list of texts"
    return kind(info)


def _default(info: FieldInfo) -> str:
    if info.is_required():
        return "must be given"
    value = info.default
    if value is None or value == ():
        return "nothing"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f'`"{value}"`' if isinstance(value, str) else f"`{value}`"


def _dictionary() -> Iterator[str]:
    for table in TABLES:
        yield from _dictionary_table(table)


def _dictionary_table(table: Table) -> Iterator[str]:
    yield f"### `{table.name}`\n"
    yield f"{table.meaning}\n"
    yield from _table(
        ("column", "type", "meaning"),
        ((f"`{each.name}`", each.sql_type, each.meaning) for each in table.columns),
    )
    yield ""


def _commands() -> Iterator[str]:
    yield "### `ampledger`\n"
    yield f"{_help(group)}\n"
    yield from _options(group)
    for name, command in commands().items():
        yield f"### `ampledger {name}`\n"
        yield f"{_help(command)}\n"
        yield from _options(command)
        yield "```sh"
        yield from _examples(command)
        yield "```\n"


def _help(command: click.Command) -> str:
    return inspect.cleandoc(command.help or "")


def _options(command: click.Command) -> Iterator[str]:
    rows = []
    for param in command.params:
        if isinstance(param, click.Option):
            names = " / ".join((*param.opts, *param.secondary_opts))
            text = (param.help or "").removesuffix(".")  # one of click's own has a stop
            rows.append((f"`{names}`", text, _demand(param)))
        elif isinstance(param.type, click.Choice):
            choices = "`, `".join(str(choice) for choice in param.type.choices)
            rows.append((f"`{choices}`", "One of these words", _demand(param)))
        else:
            rows.append((f"`{param.metavar}`", "A file", _demand(param)))
    if rows:
        yield from _table(("argument", "meaning", ""), rows)
        yield ""


def _demand(param: click.Parameter) -> str:
    return "must be given" if param.required else ""


def _examples(command: click.Command) -> list[str]:
    lines = (command.epilog or "").splitlines()
    return [line.strip() for line in lines if line.startswith("  ")]


def own_files() -> list[Path]:
    """Return the test data that are our own."""
    return sorted({path for form in OWN_FILES for path in DATA.glob(form)})


def digest(path: Path) -> str:
    """Return the SHA-256 digest of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _own_files() -> Iterator[str]:
    return _table(
        ("file", "SHA-256"),
        (
            (path.relative_to(DATA).as_posix(), f"`{digest(path)}`")
            for path in own_files()
        ),
    )


def _file(name: str, language: str) -> Callable[[], Iterator[str]]:
    def part() -> Iterator[str]:
        yield f"```{language}"
        yield (EXAMPLE / name).read_text(encoding="utf-8").rstrip("\n")
        yield "```"

    return part


PARTS: Mapping[str, Callable[[], Iterator[str]]] = {
    "channels": _channels,
    "worked-out": _worked_out,
    "accounts": _accounts,
    "settings": _settings,
    "dictionary": _dictionary,
    "commands": _commands,
    "own-files": _own_files,
    "example-van": _file("van.toml", "toml"),
    "example-drive": _file("wagtail-drive.dbc", "text"),
    "example-house": _file("wagtail-house.dbc", "text"),
}
"""What stands between the markers, by the name in the marker."""

if __name__ == "__main__":
    main()
