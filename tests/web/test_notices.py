"""What a person has to know of the log itself stands on the Log."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from dashboard.site import Site
from tests.web.sites import HTML, asking, site, snapshot, token

ASIDE = "The log was damaged (noise). It is kept as van.damaged-20270115T080000Z.db."


@pytest.fixture
def van(tmp_path: Path) -> Site:
    return site(tmp_path)


@pytest.fixture
def client(van: Site) -> Iterator[TestClient]:
    with asking(van, token(van)) as found:
        yield found


def shown(client: TestClient) -> str:
    """Return the Log as it is sent."""
    answer = client.get("/log", headers=HTML)
    assert answer.status_code == 200
    return answer.text


def test_the_log_says_that_nothing_is_stored_and_why(
    van: Site, client: TestClient
) -> None:
    assert van.snapshots is not None
    van.snapshots.write(replace(snapshot(), run=0, not_stored="a card that is full"))
    assert "Nothing is being stored: a card that is full." in shown(client)


def test_the_log_says_that_it_was_set_aside(van: Site, client: TestClient) -> None:
    assert van.snapshots is not None
    van.snapshots.write(replace(snapshot(), notice=ASIDE))
    assert ASIDE in shown(client)


def test_while_all_is_well_the_log_says_nothing(van: Site, client: TestClient) -> None:
    assert van.snapshots is not None
    van.snapshots.write(snapshot())
    assert 'role="status"' not in shown(client)
