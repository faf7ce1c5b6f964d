"""The link between phone and van: light, plain, one stream, and back after sleep."""

from contextlib import ExitStack

import httpx2 as httpx
from playwright.sync_api import Page, Request, expect

from dashboard.stream import STREAMS_PER_ADDRESS, Stream
from tests.web.browser.conftest import PATIENCE_MS, Phone
from tests.web.browser.van import Van

HEAVIEST_BYTES = 30_000


def is_live(page: Page) -> None:
    expect(page.locator(".clock")).to_have_count(0, timeout=PATIENCE_MS)


def streams(van: Van) -> int:
    found: Stream = van.app.state.stream
    return len(found.listeners)


def wait_for_streams(van: Van, page: Page, count: int) -> None:
    """Wait until so many streams are open."""
    for _ in range(PATIENCE_MS // 100):
        if streams(van) == count:
            return
        page.wait_for_timeout(100)
    raise AssertionError(streams(van))


def test_drive_is_light(van: Van, phone: Phone) -> None:
    page = phone("about:blank", knows_caution=False)
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    sizes: list[float] = []
    session.on(
        "Network.loadingFinished", lambda e: sizes.append(e["encodedDataLength"])
    )
    page.goto(f"{van.url}/drive")
    is_live(page)
    assert len(sizes) >= 4  # page, two styles, script
    assert sum(sizes) <= HEAVIEST_BYTES


def test_nothing_is_fetched_from_anywhere_else(van: Van, phone: Phone) -> None:
    page = phone("about:blank", knows_caution=False)
    asked: list[str] = []
    page.context.on("request", lambda request: asked.append(request.url))
    wrong: list[str] = []
    page.context.on(
        "console", lambda m: wrong.append(m.text) if m.type == "error" else None
    )
    for path in (
        "/drive",
        "/log",
        "/log/2/0",
        "/log/2/0?read=1",
        "/passenger",
        "/pair",
    ):
        page.goto(van.url + path)
        page.wait_for_timeout(300)
    expect(page.locator("body")).to_be_visible()
    ours = [url for url in asked if url.startswith((van.url, "blob:", "data:"))]
    assert asked == ours
    assert len(asked) > 10
    assert wrong == []


def test_a_name_over_plain_http_is_enough(van: Van, phone: Phone) -> None:
    page = phone(f"{van.named_url}/drive")
    assert page.evaluate("window.isSecureContext") is False
    is_live(page)
    expect(page.locator(".strip p")).to_have_text("All readings live")
    wait_for_streams(van, page, 1)


def test_seven_tabs_load_and_share_one_stream(van: Van, phone: Phone) -> None:
    first = phone(f"{van.url}/drive")
    pages = [first, *(first.context.new_page() for _ in range(6))]
    for page in pages[1:]:
        page.goto(f"{van.url}/drive")
    for page in pages:
        is_live(page)
        expect(page.locator(".strip p")).to_have_text("All readings live")
    wait_for_streams(van, first, 1)
    pages[0].close()
    pages[-1].wait_for_timeout(1_000)
    wait_for_streams(van, pages[-1], 1)
    expect(pages[-1].locator(".strip p")).to_have_text("All readings live")


def test_a_phone_that_wakes_up_asks_at_once(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/drive")
    is_live(page)
    wait_for_streams(van, page, 1)
    asked: list[str] = []

    def note(request: Request) -> None:
        asked.append(request.url.removeprefix(van.url))

    page.on("request", note)
    page.evaluate("window.dispatchEvent(new Event('online'))")
    page.wait_for_timeout(1_500)
    assert "/api/now" in asked
    assert "/api/stream" in asked
    wait_for_streams(van, page, 1)


def test_a_page_out_of_sight_lets_go_of_the_stream(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/drive")
    is_live(page)
    wait_for_streams(van, page, 1)
    hide = """(hidden) => {
      const get = () => hidden;
      Object.defineProperty(document, "hidden", {configurable: true, get});
      document.dispatchEvent(new Event("visibilitychange"));
    }"""
    page.evaluate(hide, True)
    wait_for_streams(van, page, 0)
    page.evaluate(hide, False)
    wait_for_streams(van, page, 1)


def test_a_browser_without_streams_polls(van: Van, phone: Phone) -> None:
    page = phone("about:blank", knows_caution=False)
    page.add_init_script("delete window.EventSource; delete window.BroadcastChannel;")
    page.goto(f"{van.url}/drive")
    is_live(page)
    with page.expect_request("**/api/now"):
        pass
    assert streams(van) == 0


def test_a_page_that_gets_no_stream_polls(van: Van, phone: Phone) -> None:
    with httpx.Client(base_url=van.url) as client, ExitStack() as others:
        for _ in range(STREAMS_PER_ADDRESS):
            others.enter_context(client.stream("GET", "/api/stream"))
        page = phone("about:blank", knows_caution=False)
        with page.expect_response("**/api/stream") as refused:
            page.goto(f"{van.url}/drive")
        assert refused.value.status == 503
        is_live(page)
        for _ in range(4):
            with page.expect_response("**/api/now"):
                pass
            expect(page.locator(".strip p")).to_have_text("All readings live")
