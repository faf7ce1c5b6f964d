"""Log and trip in a real browser; every page for every reader."""

import pytest
from axe_playwright_python.sync_playwright import (  # type: ignore[import-untyped]
    Axe,  # it has no types
)
from playwright.sync_api import Page, expect

from tests.web.browser.conftest import PATIENCE_MS, Phone
from tests.web.browser.test_drive_page import SCENES, is_live, show
from tests.web.browser.van import Van

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]

PAGES = ["/drive", "/log", "/log?before=2026-06-19", "/log/2/0", "/log/1/0",
         "/log/2/0?read=1", "/passenger", "/pair"]  # fmt: skip


def shuts_out(page: Page, url: str = "") -> list[tuple[str, str]]:
    """Return what keeps somebody from reading a page, by day and by night.

    Args:
        page: Where it is opened.
        url: Its address; empty for the page that is open.
    """
    if url:
        page.goto(url)
        page.wait_for_timeout(300)
    found = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        report = Axe().run(page, options={"runOnly": TAGS})
        if report.violations_count:
            found.append((scheme, report.generate_report()))
    return found


@pytest.mark.parametrize("path", PAGES)
def test_no_page_shuts_anybody_out(path: str, van: Van, phone: Phone) -> None:
    page = phone("about:blank", knows_caution=False)
    assert shuts_out(page, van.url + path) == []


def test_no_stale_page_shuts_anybody_out(van: Van, phone: Phone) -> None:
    van.logger.has_died(ago_s=14.0)
    page = phone(f"{van.url}/log")
    assert shuts_out(page) == []
    assert shuts_out(page, f"{van.url}/drive") == []
    expect(page.locator(".strip p")).to_contain_text("No link to logger for")


@pytest.mark.parametrize("name", ["moving", "broad", "missing", "disagreeing", "first"])
def test_no_state_of_drive_shuts_anybody_out(name: str, van: Van, phone: Phone) -> None:
    show(van, SCENES[name])
    page = phone(f"{van.url}/drive")
    is_live(page)
    assert shuts_out(page) == []


@pytest.mark.parametrize("path", PAGES)
def test_a_narrow_phone_needs_no_sideways_scroll(
    path: str, van: Van, phone: Phone
) -> None:
    page = phone(van.url + path, viewport={"width": 320, "height": 640})
    page.wait_for_timeout(200)
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


def test_the_log_lists_what_was_replayed(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/log", java_script_enabled=False)
    text = page.locator("main").inner_text()
    # Worked out by others: see tests/drives/test_passenger_car.py.
    assert "Fri 19 Jun" in text
    assert "8.0 mi" in text  # 12.82 km
    row = page.locator("tr.one", has_text="9:12")
    expect(row).to_contain_text("0.5")
    expect(row).to_contain_text("2.4")
    expect(page.locator("#last")).to_contain_text("Store now")


def test_a_trip_tells_its_account_and_shows_its_panels(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/log", java_script_enabled=False)
    page.locator("tr.one", has_text="9:12").get_by_role("link").click()
    expect(page).to_have_url(f"{van.url}/log/2/0")
    expect(page.locator(".sumline")).to_contain_text("Wh/km")
    expect(page.locator("table.account")).to_contain_text("2.41")
    expect(page.locator("table.account")).to_contain_text("1.96")
    panels = page.locator('svg.plot[role="img"]')
    expect(panels).to_have_count(3)
    for panel in panels.all():
        assert len(panel.get_attribute("aria-label") or "") > 20
        assert panel.locator("polyline").count() >= 1
    page.get_by_text("Show as table").click()
    assert 2 <= page.locator("details tbody tr").count() <= 30


def test_values_are_read_off_by_a_tap_and_keys_zoom(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/log/2/0")
    wrong: list[str] = []
    page.on("console", lambda m: wrong.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    assert page.locator("script").count() == 0  # nothing heavy until it is asked for
    page.get_by_role("link", name="Read values and zoom").click()
    chart = page.locator(".chart .main-svg").first
    expect(chart).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator(".wait")).to_have_text(
        "Tap the chart to read values.", timeout=PATIENCE_MS
    )
    page.evaluate(
        """() => {
          document.querySelector(".chart").scrollIntoView();
          window.filled = 0;
          const count = (changes) => { window.filled += changes.length; };
          const row = document.querySelector(".readout .power");
          new MutationObserver(count).observe(row, { childList: true });
        }"""
    )
    box = page.locator(".chart").bounding_box()
    assert box is not None
    page.touchscreen.tap(box["x"] + 200, box["y"] + 90)
    expect(page.locator(".readout .power")).not_to_have_text("—", timeout=PATIENCE_MS)
    expect(page.locator(".readout .soc")).not_to_have_text("—")
    assert page.evaluate("window.filled") == 1  # the chart tells of one tap twice
    when = page.locator(".readout .when").inner_text()
    assert when.startswith("8:")
    with page.expect_response("**/api/series*") as nearer:
        page.get_by_role("button", name="Nearer").click()
    assert nearer.value.ok
    expect(page.locator(".chart .shapelayer path")).to_have_count(1)  # still marked
    with page.expect_response("**/api/series*") as whole:
        page.get_by_role("button", name="Whole").click()
    assert nearer.value.url != whole.value.url
    assert wrong == []


def test_a_trip_that_is_not_there_is_no_page(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/log")
    for path in ("/log/9/0", "/log/1/7", f"/log/{2**70}/0"):
        answer = page.goto(van.url + path)
        assert answer is not None
        assert answer.status in (404, 422)
