"""The data dictionary is what the changes of the tables really build."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlite_utils import Database

from logger.store.schema import TABLES, Table
from logger.store.writer import Writer
from tests.house.pages import EXAMPLE
from tests.running import ampledger

VIEWS = [table for table in TABLES if table.meaning.startswith("View:")]
PLAIN = [table for table in TABLES if table not in VIEWS]


@pytest.fixture
def built(tmp_path: Path) -> Iterator[Database]:
    """Open a log that was just made."""
    path = tmp_path / "van.db"
    Writer(path).close()
    database = Database(path)
    yield database
    database.close()


def test_there_are_the_same_tables_and_views(built: Database) -> None:
    assert sorted(built.table_names()) == sorted(table.name for table in PLAIN)
    assert sorted(built.view_names()) == sorted(view.name for view in VIEWS)


@pytest.mark.parametrize("table", PLAIN, ids=lambda table: table.name)
def test_a_table_has_the_columns_of_the_dictionary(
    built: Database, table: Table
) -> None:
    columns = [(each.name, each.type) for each in built.table(table.name).columns]
    assert columns == [(each.name, each.sql_type) for each in table.columns]


@pytest.mark.parametrize("table", PLAIN, ids=lambda table: table.name)
def test_a_table_is_strict_and_has_a_key(built: Database, table: Table) -> None:
    assert built.table(table.name).strict
    assert not built.table(table.name).use_rowid


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view.name)
def test_a_view_has_the_columns_of_the_dictionary(built: Database, view: Table) -> None:
    names = [each.name for each in built.view(view.name).columns]
    assert names == [each.name for each in view.columns]


@pytest.mark.parametrize("view", VIEWS, ids=lambda view: view.name)
def test_a_view_holds_the_types_of_the_dictionary(tmp_path: Path, view: Table) -> None:
    log = tmp_path / "van.db"
    ran = ampledger(
        "replay", "--van", EXAMPLE / "van.toml", "--into", log, EXAMPLE / "drive.log"
    )
    assert ran.code == 0, ran.err
    database = Database(log)
    database.table("event").insert(
        {"run": 1, "t_us": 5, "kind": "note", "text": "New fuse."}
    )
    rows = list(database.query(f"SELECT * FROM {view.name}"))  # noqa: S608 (own name)
    database.close()
    assert rows
    types = {"TEXT": str, "INTEGER": int, "REAL": float}
    for column in view.columns:
        assert {type(row[column.name]) for row in rows} == {types[column.sql_type]}
