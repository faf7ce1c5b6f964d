"""A phone that is not paired, and pages that say no, in a real browser."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from logger.clock import uptime_us
from logger.desk import Desk
from tests.web.browser.conftest import PATIENCE_MS, Phone
from tests.web.browser.test_pages import shuts_out
from tests.web.browser.van import Van, running

NOWHERE = ("/nowhere", "/log/9/0", f"/log/{2**70}/0")


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "desk.db")


@pytest.fixture
def shut(tmp_path: Path, log: Path, desk: Desk) -> Iterator[Van]:
    """Return a running van that shows a stranger nothing."""
    with running(tmp_path, log, is_open_here=False, desk=desk) as started:
        yield started


def pair(page: Page, code: str) -> None:
    """Type a code into the form."""
    page.get_by_label("The 8 digits").fill(code)
    page.get_by_label("A name for this phone").fill("Ana")
    page.get_by_role("button", name="Pair").click()


def test_a_phone_is_paired_over_plain_http_and_put_out_again(
    shut: Van, phone: Phone, desk: Desk
) -> None:
    page = phone(f"{shut.named_url}/log/2/0")
    expect(page).to_have_url(f"{shut.named_url}/pair")
    pair(page, desk.open_pairing(uptime_us()))
    expect(page).to_have_url(f"{shut.named_url}/drive")
    expect(page.locator(".clock")).to_have_count(0, timeout=PATIENCE_MS)
    expect(page.locator(".strip p")).to_have_text("All readings live")
    (known,) = desk.phones()
    assert known.label == "Ana"
    desk.unpair(known.number)
    page.evaluate("window.dispatchEvent(new Event('online'))")
    expect(page).to_have_url(f"{shut.named_url}/pair", timeout=PATIENCE_MS)


def test_the_form_shuts_nobody_out_nor_does_its_refusal(
    shut: Van, phone: Phone
) -> None:
    page = phone("about:blank", knows_caution=False)
    assert shuts_out(page, f"{shut.url}/drive") == []
    expect(page.get_by_label("The 8 digits")).to_be_visible()
    pair(page, "00000000")
    expect(page.get_by_role("alert")).to_contain_text("That code is not good")
    assert shuts_out(page) == []


@pytest.mark.parametrize("path", NOWHERE)
def test_a_page_that_is_not_there_is_told_to_everybody(
    path: str, van: Van, phone: Phone
) -> None:
    page = phone(f"{van.url}/drive", viewport={"width": 320, "height": 640})
    assert shuts_out(page, van.url + path) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    page.emulate_media(color_scheme="dark")
    ground = "getComputedStyle(document.documentElement).backgroundColor"
    assert page.evaluate(ground) == "rgb(0, 0, 0)"
    page.get_by_role("link", name="Back to Drive").click()
    expect(page).to_have_url(f"{van.url}/drive")
