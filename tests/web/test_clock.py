"""The date of a phone: asked for while nothing confirms the computer's own."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from dashboard.app import create_app
from dashboard.dating import ClockQuestion, clock_question
from dashboard.site import Site
from dashboard.wording import Units
from logger.clock import boot_id, uptime_us
from logger.core.tick import US_PER_S
from logger.live import Snapshot
from tests.web.sites import HTML, ORIGIN, VAN, asking, site, snapshot, token

OWN = {"origin": ORIGIN} | HTML
DATE_MS = 1_795_593_600_123
"""25 November 2026, 08:00:00.123 UTC, and so in the van in winter."""

SENTENCE = "The computer's date is not confirmed: Mon 21 Sep 2026, 15:13."


def unsure(desk_entry: int = 0) -> Snapshot:
    """Return a snapshot of 21 September 2026, 14:13:20 UTC, which nobody confirmed."""
    return replace(snapshot(), is_clock_sure=False, desk_entry=desk_entry)


@pytest.fixture
def van(tmp_path: Path) -> Site:
    return site(tmp_path)


@pytest.fixture
def client(van: Site) -> Iterator[TestClient]:
    with asking(van, token(van)) as found:
        yield found


def write(van: Site, found: Snapshot) -> None:
    """Let the logger write a snapshot."""
    assert van.snapshots is not None
    van.snapshots.write(found)


def log_text(client: TestClient) -> str:
    """Return the Log as it is sent."""
    answer = client.get("/log", headers=HTML)
    assert answer.status_code == 200
    return answer.text


def test_the_question_is_told_in_the_van_s_own_time() -> None:
    found = clock_question(unsure(), Units.of(VAN), has_desk=True)
    # Lisbon is an hour ahead of UTC in September.
    assert found == ClockQuestion("Mon 21 Sep 2026, 15:13", "Europe/Lisbon", True)


def test_the_log_asks_while_the_date_is_not_confirmed(
    van: Site, client: TestClient
) -> None:
    write(van, unsure())
    text = log_text(client)
    assert SENTENCE in text
    assert re.search(r'<script type="module" src="/static/clock\.\w+\.js">', text)
    # Without a script nothing is offered: the form waits for it, hidden.
    assert re.search(
        r'<form class="keys" method="post" action="/clock"[^>]*hidden', text
    )


def test_the_log_asks_nothing_once_the_date_is_sure_or_nobody_logs(
    van: Site, client: TestClient
) -> None:
    assert "not confirmed" not in log_text(client)
    write(van, snapshot())
    assert "not confirmed" not in log_text(client)
    written_us = uptime_us() - 60 * US_PER_S
    write(van, replace(unsure(), written_us=written_us))
    assert "not confirmed" not in log_text(client)


def test_where_nothing_may_be_entered_only_the_sentence_stands(van: Site) -> None:
    write(van, unsure())
    app = create_app(replace(van, desk=None, is_open_here=True))
    with TestClient(app, base_url=ORIGIN, client=("127.0.0.1", 1)) as here:
        text = log_text(here)
        answer = here.post("/clock", data={"date_ms": str(DATE_MS)}, headers=OWN)
    assert SENTENCE in text
    assert "/clock" not in text
    assert "<script" not in text
    assert answer.status_code == 403


def test_a_phone_s_date_is_laid_on_the_desk_as_the_computer_s_start(
    van: Site, client: TestClient
) -> None:
    assert van.desk is not None
    write(van, unsure(desk_entry=1))  # the logger has booked it by the time it is asked
    before_us = uptime_us()
    answer = client.post("/clock", data={"date_ms": str(DATE_MS)}, headers=OWN)
    after_us = uptime_us()
    assert (answer.status_code, answer.headers["location"]) == (303, "/log#last")
    (entry,) = van.desk.after(0)
    assert (entry.kind, entry.text) == ("clock", boot_id())
    assert DATE_MS * 1000 - after_us <= entry.value <= DATE_MS * 1000 - before_us


@pytest.mark.parametrize(
    "typed", ["", "now", "-5", "1e12", "0", "1700000000000", "4200000000000",
              "9" * 15, "9" * 400, "١٧٩٥٥٩٣٦٠٠١٢٣"],
)  # fmt: skip
def test_what_is_no_date_of_this_age_is_refused(
    van: Site, client: TestClient, typed: str
) -> None:
    assert van.desk is not None
    answer = client.post("/clock", data={"date_ms": typed}, headers=OWN)
    assert answer.status_code == 422
    assert van.desk.after(0) == []


def test_a_stranger_or_another_place_sets_no_clock(van: Site) -> None:
    assert van.desk is not None
    given = token(van)
    data = {"date_ms": str(DATE_MS)}
    with asking(van) as stranger:
        answer = stranger.post("/clock", data=data, headers=OWN)
        assert answer.headers["location"] == "/pair"
    with asking(van, given) as client:
        for headers in ({}, {"origin": "http://evil.example"}):
            assert client.post("/clock", data=data, headers=headers).status_code == 403
    assert van.desk.after(0) == []
