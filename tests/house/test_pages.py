"""The manual tells everything there is, and nothing that the code does not say."""

import re
import shutil
import sqlite3
import textwrap
from contextlib import closing
from pathlib import Path

import click
import pytest

from logger.commands.group import group
from logger.decode.frames import Reason
from logger.quantities import QUANTITIES
from logger.store.export.making import COLUMNS
from logger.store.export.sheet import Column
from logger.store.schema import TABLES, Table
from logger.van.section import Section
from logger.van.settings import REPEATED, SINGLE
from tests.house.pages import (
    DATA,
    EXAMPLE,
    MANUAL,
    PART,
    PARTS,
    ROOT,
    commands,
    pages,
    rewritten,
)
from tests.running import ampledger

SECTIONS = {f"[{key}]": model for key, model in SINGLE.items()} | {
    f"[[{key}]]": model for key, (_, model) in REPEATED.items()
}
SQL = re.compile(r"```sql\n(.*?)```", re.DOTALL)
LINK = re.compile(r"\]\(([^)#]+)\)")


def page(name: str) -> str:
    """Return one page of the manual."""
    return (MANUAL / name).read_text(encoding="utf-8")


def under(heading: str, name: str) -> str:
    """Return what stands under a heading of the third level on one page."""
    _, found, rest = page(name).partition(f"\n### {heading}\n")
    assert found, f"{name} has no heading {heading}"
    return re.split(r"\n##+ |\n<!-- end", rest)[0]


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the log of a recorded drive."""
    log = tmp_path_factory.mktemp("log") / "drive.db"
    recording = DATA / "ev" / "ev-trip-a03.csv.gz"
    van = DATA / "ev" / "van.toml"
    start = ("--start", "2019-06-28 10:02:15")
    ran = ampledger("replay", "--van", van, "--into", log, *start, recording)
    assert ran.code == 0, ran.err
    return log


@pytest.mark.parametrize("path", pages(), ids=lambda path: path.name)
def test_the_generated_parts_are_up_to_date(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text == rewritten(text), "run: python -m tests.house.pages"


def test_every_generated_part_stands_on_one_page() -> None:
    texts = [path.read_text(encoding="utf-8") for path in pages()]
    found = [match["name"] for text in texts for match in PART.finditer(text)]
    assert sorted(found) == sorted(PARTS)


@pytest.mark.parametrize("path", pages(), ids=lambda path: path.name)
def test_every_link_leads_to_a_page(path: Path) -> None:
    for target in LINK.findall(path.read_text(encoding="utf-8")):
        assert (path.parent / target).is_file()


def test_the_contents_name_every_page() -> None:
    linked = set(LINK.findall(page("index.md")))
    assert linked == {path.name for path in MANUAL.glob("*.md")} - {"index.md"}


def test_every_channel_is_documented() -> None:
    text = page("channels.md")
    rows = [q.pattern for q in QUANTITIES if f"\n| `{q.pattern}` | {q.label} |" in text]
    assert rows == [q.pattern for q in QUANTITIES]


@pytest.mark.parametrize(("title", "model"), SECTIONS.items())
def test_every_setting_is_documented(title: str, model: type[Section]) -> None:
    rows = under(f"`{title}`", "van-file.md")
    for key, info in model.model_fields.items():
        assert info.description
        assert f"\n| `{key}` | {info.description} |" in rows


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_every_column_is_documented(table: Table) -> None:
    rows = under(f"`{table.name}`", "data-dictionary.md")
    for column in table.columns:
        assert f"\n| `{column.name}` | {column.sql_type} | {column.meaning} |" in rows


def test_every_command_and_option_is_documented() -> None:
    known = {"ampledger": group} | {
        f"ampledger {name}": command for name, command in commands().items()
    }
    for name, command in known.items():
        text = under(f"`{name}`", "commands.md")
        for param in command.params:
            for option in (*param.opts, *param.secondary_opts):
                if isinstance(param, click.Option):
                    assert re.search(rf"[`\s]{option}[`\s]", text), option


@pytest.mark.parametrize("columns", COLUMNS.values(), ids=[w.value for w in COLUMNS])
def test_every_exported_column_is_documented(columns: tuple[Column, ...]) -> None:
    text = page("exports.md")
    assert [each.name for each in columns if f"`{each.name}`" not in text] == []


def test_every_reason_for_a_refusal_is_documented() -> None:
    text = page("recordings.md")
    assert [each for each in Reason if f"| {each.value} |" not in text] == []


@pytest.mark.parametrize("query", SQL.findall(page("data-dictionary.md")))
def test_an_example_query_finds_rows_in_a_real_log(query: str, drive: Path) -> None:
    with closing(sqlite3.connect(f"{drive.as_uri()}?mode=ro", uri=True)) as log:
        rows = log.execute(query).fetchall()
    assert rows
    assert all(value is not None for row in rows for value in row)


def test_there_are_three_example_queries() -> None:
    assert len(SQL.findall(page("data-dictionary.md"))) == 3


def test_the_worked_example_is_a_sound_van_file() -> None:
    ran = ampledger("check", EXAMPLE / "van.toml")
    assert (ran.code, ran.err) == (0, "")


def test_the_worked_example_drives_as_the_page_says(tmp_path: Path) -> None:
    log, recording = tmp_path / "van.db", EXAMPLE / "drive.log"
    ran = ampledger("replay", "--van", EXAMPLE / "van.toml", "--into", log, recording)
    assert ran.code == 0, ran.err
    shown = ran.out.partition("Estimates")[0]
    assert f"```text\n{shown}```" in page("van-file.md")


def test_the_statement_on_the_page_is_what_is_printed(tmp_path: Path) -> None:
    van, recording = DATA / "ev" / "van.toml", DATA / "ev" / "ev-trip-a03.csv.gz"
    ran = ampledger("replay", "--van", van, "--into", tmp_path / "van.db", recording)
    shown = ran.out.partition("Estimates")[0]
    assert f"```text\n{shown}```" in page("recordings.md")


def test_the_readme_shows_what_its_command_prints(tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    command = next(line for line in readme.splitlines() if "ampledger replay" in line)
    words = command.partition("ampledger ")[2].replace("drive.db", str(tmp_path / "a"))
    ran = ampledger(*(str(ROOT / w) if w[:5] == "tests" else w for w in words.split()))
    assert textwrap.indent(ran.out, "    ") in readme


def test_the_readme_quotes_the_worked_example() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    quoted = readme.partition("```toml\n")[2].partition("```")[0].splitlines()
    whole = (EXAMPLE / "van.toml").read_text(encoding="utf-8").splitlines()
    assert [line for line in quoted if line not in whole] == []


def test_the_worked_example_reads_its_table(tmp_path: Path) -> None:
    table = tmp_path / "sun.csv"
    # 1.2 kW at 10:00, 10:01 and 10:02 in Lisbon (UTC+1 in June): 2 minutes, 40 Wh.
    lines = ["date;time;roof kW", *(f"21.06.2024;10:0{i};1.2" for i in range(3))]
    table.write_text("\n".join(lines), encoding="utf-8")
    van = shutil.copytree(EXAMPLE, tmp_path / "van") / "van.toml"
    ran = ampledger("replay", "--van", van, "--into", tmp_path / "van.db", table)
    assert ran.code == 0, ran.err
    assert "Run 1: sun.csv, 2024-06-21T09:00:00.000Z" in ran.out
    assert "0.040 kWh of sun" in ran.out
