"""The phone's date, given with one key, in a real browser."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import expect

from logger.clock import Clock, boot_id, uptime_us
from logger.core.tick import US_PER_S
from logger.desk import Desk
from tests.web.browser.conftest import PATIENCE_MS, Phone
from tests.web.browser.test_pages import shuts_out
from tests.web.browser.van import Van, running
from tests.web.scenes import SCENE

UNSURE = replace(SCENE, is_clock_sure=False, trip=None)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "desk.db")


@pytest.fixture
def unsure(tmp_path: Path, log: Path, desk: Desk) -> Iterator[Van]:
    """Return a running van whose date nobody confirmed."""
    with running(tmp_path, log, desk=desk) as started:
        started.logger.scene = UNSURE
        started.logger.write()
        yield started


def test_one_key_gives_the_phone_s_date(unsure: Van, phone: Phone, desk: Desk) -> None:
    # The phone lives in another zone; its date is told in that of the van.
    page = phone(f"{unsure.url}/log#last", timezone_id="Asia/Tokyo")
    wrong: list[str] = []
    page.on("console", lambda m: wrong.append(m.text) if m.type == "error" else None)
    said = page.locator(".clock .note")
    expect(said).to_contain_text("is not confirmed: Sat 20 Jun 2026, 21:04.")
    now_us = Clock().wall_us()
    expect(said).to_have_text(
        re.compile(r"This phone says \w{3} \d{1,2} \w{3} \d{4}, \d{1,2}:\d\d\.$")
    )
    key = page.get_by_role("button", name="Use this phone's date")
    expect(key).to_be_visible(timeout=PATIENCE_MS)
    unsure.logger.scene = replace(UNSURE, is_clock_sure=True, desk_entry=1)
    key.click()
    expect(page).to_have_url(f"{unsure.url}/log#last", timeout=PATIENCE_MS)
    expect(page.locator(".clock")).to_have_count(0, timeout=PATIENCE_MS)
    (entry,) = desk.after(0)
    assert (entry.kind, entry.text) == ("clock", boot_id())
    # The browser runs on this computer: its date is the computer's own.
    given_us = entry.value + uptime_us()
    assert now_us - US_PER_S <= given_us <= Clock().wall_us() + US_PER_S
    assert wrong == []


def test_without_a_script_only_the_sentence_stands(unsure: Van, phone: Phone) -> None:
    page = phone(f"{unsure.url}/log", java_script_enabled=False)
    expect(page.locator(".clock .note")).to_be_visible()
    expect(page.locator(".clock .note")).not_to_contain_text("This phone")
    expect(page.locator(".clock button")).to_be_hidden()


def test_the_question_shuts_nobody_out(unsure: Van, phone: Phone) -> None:
    page = phone(f"{unsure.url}/log", viewport={"width": 320, "height": 640})
    expect(page.locator(".clock button")).to_be_visible(timeout=PATIENCE_MS)
    assert shuts_out(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
