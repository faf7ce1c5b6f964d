"""The browser, the phone and the van that its tests share."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from tests.running import DATA, ampledger
from tests.web.browser.van import NAME, Van, running

CHROMIUM = Path("/usr/bin/chromium")
"""Debian's; none is fetched from elsewhere."""

PATIENCE_MS = 30_000
"""How long a condition is waited for, on a busy computer."""

WORDS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    f"--host-resolver-rules=MAP {NAME} 127.0.0.1",
]

Phone = Callable[..., Page]


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """Return the browser; it ends with the last test of this package.

    The library keeps a loop running in this thread as long as it is open, in which
    other tests could start none of their own.
    """
    if not CHROMIUM.exists():
        if os.environ.get("CI"):
            pytest.fail(f"no browser at {CHROMIUM}")
        pytest.skip(f"no browser at {CHROMIUM}")
    with sync_playwright() as library:
        opened = library.chromium.launch(executable_path=CHROMIUM, args=WORDS)
        yield opened
        opened.close()


@pytest.fixture(scope="package")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a log of the example's trip (run 1) and of a recorded drive (run 2)."""
    path: Path = tmp_path_factory.mktemp("log") / "van.db"
    for folder, file, more in (
        ("example", "drive.log", ()),
        ("ev", "ev-trip-a03.csv.gz", ("--start", "2026-06-19T08:12:00Z")),
    ):
        van = DATA / folder / "van.toml"
        words = ("replay", "--van", van, "--into", path, *more, DATA / folder / file)
        ran = ampledger(*words)
        assert ran.code == 0, ran.err
    return path


@pytest.fixture
def van(tmp_path: Path, log: Path) -> Iterator[Van]:
    """Return a running van, standing, with everything heard."""
    with running(tmp_path, log) as started:
        yield started


@pytest.fixture
def phone(browser: Browser) -> Iterator[Phone]:
    """Return what opens a page on a phone: its address and what differs of it."""
    opened: list[BrowserContext] = []

    def open_page(url: str, *, knows_caution: bool = True, **settings: Any) -> Page:
        ordinary = {
            "viewport": {"width": 390, "height": 844},
            "device_scale_factor": 3,
            "has_touch": True,
            "color_scheme": "light",
        }
        context = browser.new_context(**{**ordinary, **settings})
        opened.append(context)
        context.set_default_timeout(PATIENCE_MS)
        if knows_caution:
            place = "/".join(url.split("/")[:3])
            context.add_cookies([{"name": "understood", "value": "1", "url": place}])
        page = context.new_page()
        page.goto(url)
        return page

    yield open_page
    for context in opened:
        context.close()
