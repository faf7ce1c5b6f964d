"""Drive in a real browser: readable, alive, and never alive when it is not."""

from dataclasses import replace

import pytest
from playwright.sync_api import Page, expect

from logger.core.health import Health
from logger.live import Snapshot
from tests.web.browser.conftest import PATIENCE_MS, Phone
from tests.web.browser.van import Van
from tests.web.scenes import SCENE, heard, live

GONE = {
    "pack__power_w": live(-12_000.0, 60.0),
    "pack__current_a": live(-34.0, 60.0),
    "sun__roof__power_w": live(1_900.0, 60.0),
}

SCENES: dict[str, Snapshot] = {
    "fresh": SCENE,
    "moving": replace(SCENE, is_moving=True),
    "broad": heard(pack__soc_low_pct=live(41.0), pack__soc_high_pct=live(61.0)),
    "full": heard(
        pack__soc_pct=live(100.0),
        pack__soc_low_pct=live(97.0),
        pack__soc_high_pct=live(100.0),
    ),
    "missing": heard(**GONE),
    "disagreeing": heard(
        pack__soc_pct=live(64.0, health=Health.DISAGREEING),
        meter__soc_pct=live(57.0, health=Health.DISAGREEING),
    ),
    "first": replace(
        heard(pack__soc_pct=None, pack__soc_low_pct=None, pack__soc_high_pct=None),
        trip=None,
    ),
}

TALL = """(nodes) => nodes.map((node) => {
  const style = getComputedStyle(node);
  const pen = document.createElement("canvas").getContext("2d");
  pen.font = `${style.fontWeight} 1000px ${style.fontFamily}`;
  const text = node.textContent.trim();
  const sample = /[0-9]/.test(text) ? text.replace(/[^0-9]/g, "") : "H";
  const { actualBoundingBoxAscent } = pen.measureText(sample);
  return actualBoundingBoxAscent * parseFloat(style.fontSize) / 1000;
})"""
"""Height of the digits of each node, or of its capitals where it has none, px."""


def show(van: Van, scene: Snapshot) -> None:
    van.logger.scene = scene
    van.logger.write()


def is_live(page: Page) -> None:
    """Wait until the script has taken over."""
    expect(page.locator(".clock")).to_have_count(0, timeout=PATIENCE_MS)


def test_the_charge_has_unit_band_source_and_age(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/drive")
    is_live(page)
    digits = page.locator('[data-figure="charge"] b').first
    expect(digits).to_have_text("64")
    expect(page.locator('[data-figure="charge"] .unit')).to_have_text("%")
    expect(page.locator('[data-figure="charge"] .side')).to_have_text("± 4")
    assert digits.get_attribute("data-src") == "count"
    assert 0 <= int(digits.get_attribute("data-age-ms") or -1) < 5_000
    bar = page.locator('[data-figure="charge"] svg.bar')
    expect(bar).to_have_attribute(
        "aria-label", "Charge 60 to 68 percent; reserve below 10"
    )


def test_every_number_has_source_age_and_unit(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/drive")
    is_live(page)
    for number in page.locator("main b:visible").all():
        assert number.get_attribute("data-src")
        assert number.get_attribute("data-age-ms")
        assert len(number.locator("..").inner_text()) > len(number.inner_text())


def test_the_charge_follows_the_logger(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/drive")
    show(van, heard(pack__soc_pct=live(63.0), pack__power_w=live(-31_000.0)))
    digits = page.locator('[data-figure="charge"] b').first
    expect(digits).to_have_text("63", timeout=PATIENCE_MS)
    expect(page.locator('[data-figure="out"] b')).to_have_text("31")


@pytest.mark.parametrize("name", SCENES)
def test_digits_and_labels_are_tall_enough(name: str, van: Van, phone: Phone) -> None:
    show(van, SCENES[name])
    page = phone(f"{van.url}/drive")
    is_live(page)
    charge = page.locator('[data-figure="charge"] b:visible').evaluate_all(TALL)
    others = page.locator(".value b:visible").evaluate_all(TALL)
    labels = page.locator(".strip p, .unit:visible, .flow span").evaluate_all(
        TALL.replace("/[0-9]/.test(text)", "false")
    )
    if name != "first":
        assert min(charge) >= 80
    assert min(others) >= 27
    assert min(labels) >= 21


@pytest.mark.parametrize("name", SCENES)
def test_drive_is_read_at_a_glance(name: str, van: Van, phone: Phone) -> None:
    show(van, SCENES[name])
    page = phone(f"{van.url}/drive")
    is_live(page)
    page.evaluate(
        "document.querySelectorAll('.unseen').forEach((x) => (x.hidden = true))"
    )
    text = page.locator("main").inner_text()
    words = [each for each in text.split() if any(sign.isalpha() for sign in each)]
    assert len(words) <= 30, words
    assert page.locator("main .fig > span > b:visible, main .flow b").count() <= 6
    scrolled = "document.documentElement.scrollHeight - innerHeight"
    assert page.evaluate(scrolled) <= 0


@pytest.mark.parametrize("name", ["fresh", "broad", "disagreeing", "first"])
@pytest.mark.parametrize(("width", "height"), [(320, 640), (844, 390)])
def test_nothing_is_cut_on_other_phones(
    width: int, height: int, name: str, van: Van, phone: Phone
) -> None:
    show(van, SCENES[name])
    page = phone(f"{van.url}/drive", viewport={"width": width, "height": height})
    is_live(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for part in (".strip", '[data-figure="charge"] .fig'):
        box = page.locator(part).first.bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= width
        assert box["y"] + box["height"] <= height


def test_the_caution_stands_below_the_charge_until_it_is_read(
    van: Van, phone: Phone
) -> None:
    page = phone(f"{van.url}/drive", knows_caution=False)
    caution = page.locator(".mount")
    expect(caution).to_contain_text("Mount the phone. Do not use it while driving.")
    charge = page.locator('[data-figure="charge"]').bounding_box()
    below = caution.bounding_box()
    assert charge is not None
    assert below is not None
    assert charge["y"] + charge["height"] <= below["y"]
    page.get_by_role("button", name="Understood").click()
    expect(page.locator(".mount")).to_have_count(0)
    page.reload()
    expect(page.locator(".mount")).to_have_count(0)


def test_a_dead_logger_is_marked_in_time(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/drive")
    is_live(page)
    van.logger.stop()
    power = page.locator('[data-figure="out"]')
    seen = []
    for _ in range(200):
        state, age = page.evaluate(
            """() => { const cell = document.querySelector('[data-figure="out"]');
            const age = cell.querySelector("b").dataset.ageMs;
            return [cell.dataset.state, Number(age)]; }"""
        )
        seen.append((state, age))
        if state == "none":
            break
        page.wait_for_timeout(100)
    # Whatever the computer's load: what the page itself says to be that old is marked.
    assert all(age <= 2_000 for state, age in seen if state == "live")
    assert all(age <= 5_000 for state, age in seen if state == "late")
    assert [state for state, _ in seen][-1] == "none"
    assert "late" in [state for state, _ in seen]
    expect(power.locator("b")).to_have_text("—")
    expect(page.locator('[data-figure="power"] .was')).to_contain_text("was 12 kW out,")
    expect(page.locator(".strip p")).to_contain_text("No link to logger for")
    expect(page.locator('[data-figure="charge"] b').first).to_have_text("64")
    expect(page.locator('[data-figure="charge"] .side')).to_have_text("held")
    bar = page.locator('[data-figure="charge"] svg.bar')
    expect(bar.locator(".sure")).to_have_attribute("width", "0%")
    expect(bar.locator(".maybe")).to_have_attribute("width", "68%")  # hatched
    expect(page.get_by_role("status")).to_have_text(
        "No link to logger", timeout=PATIENCE_MS
    )


def test_a_dead_server_is_told_and_counted_and_the_page_comes_back(
    van: Van, phone: Phone
) -> None:
    page = phone(f"{van.url}/drive")
    is_live(page)
    van.kill()
    strip = page.locator(".strip p")
    expect(strip).to_contain_text("No link to van for 7 s", timeout=PATIENCE_MS)
    expect(strip).to_contain_text("No link to van for 9 s", timeout=PATIENCE_MS)
    expect(page.locator('[data-figure="out"] b')).to_have_text("—")
    expect(page.locator('[data-figure="charge"]')).to_have_attribute(
        "data-state", "held"
    )
    van.serve()
    expect(strip).to_have_text("All readings live", timeout=60_000)
    expect(page.locator('[data-figure="out"] b')).to_have_text("12")


def test_without_a_script_the_last_values_stand_with_their_time(
    van: Van, phone: Phone
) -> None:
    page = phone(f"{van.url}/drive", java_script_enabled=False)
    expect(page.locator('[data-figure="charge"] b').first).to_have_text("64")
    expect(page.locator('[data-figure="out"] b')).to_have_text("12")
    expect(page.locator(".clock")).to_have_text("as at 21:04:00")
    assert '<meta http-equiv="refresh" content="5">' in page.content()


def test_while_the_van_moves_only_drive_is_shown(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/drive")
    is_live(page)
    expect(page.get_by_role("link", name="Log")).to_be_visible()
    show(van, SCENES["moving"])
    expect(page.get_by_role("link", name="Log")).to_be_hidden(timeout=PATIENCE_MS)
    page.get_by_role("link", name="I am not driving").click()
    expect(page).to_have_url(f"{van.url}/passenger")
    page.get_by_role("button", name="I am not driving").click()
    expect(page).to_have_url(f"{van.url}/log")
    page.goto(f"{van.url}/drive")
    is_live(page)
    expect(page.get_by_role("link", name="Log")).to_be_visible()
    show(van, replace(SCENES["moving"], stops=4))  # stopped, and drives again
    page.goto(f"{van.url}/log")
    expect(page).to_have_url(f"{van.url}/drive")


def test_digits_change_only_after_seven_tenths_of_a_unit(
    van: Van, phone: Phone
) -> None:
    page = phone(f"{van.url}/drive")
    moved = page.evaluate(
        """async () => {
          const script = document.querySelector('script[type="module"]').src;
          const { hasMoved } = await import(script);
          return [[12, 12.6, 1], [12, 12.7, 1], [12, 11.4, 1], [12, 11.3, 1],
                  [1.9, 1.96, 0.1], [1.9, 1.97, 0.1]].map((each) => hasMoved(...each));
        }"""
    )
    assert moved == [False, True, False, True, False, True]
    is_live(page)
    show(van, heard(pack__power_w=live(-12_600.0)))
    page.wait_for_timeout(1_500)
    expect(page.locator('[data-figure="out"] b')).to_have_text("12")
    show(van, heard(pack__power_w=live(-12_800.0)))
    expect(page.locator('[data-figure="out"] b')).to_have_text("13")


def test_at_night_the_page_is_dark(van: Van, phone: Phone) -> None:
    page = phone(f"{van.url}/drive", color_scheme="dark", device_scale_factor=1)
    is_live(page)
    picture = page.screenshot(type="png")
    blank = page.context.new_page()
    blank.goto("about:blank")
    bright = blank.evaluate(
        """async (bytes) => {
          const picture = new Blob([new Uint8Array(bytes)], {type: "image/png"});
          const image = await createImageBitmap(picture);
          const sheet = new OffscreenCanvas(image.width, image.height);
          const pen = sheet.getContext("2d");
          pen.drawImage(image, 0, 0);
          const { data } = pen.getImageData(0, 0, image.width, image.height);
          const line = (v) =>
            v <= 10 ? v / 3294.6 : ((v / 255 + 0.055) / 1.055) ** 2.4;
          let sum = 0;
          let white = 0;
          for (let i = 0; i < data.length; i += 4) {
            const [r, g, b] = [line(data[i]), line(data[i + 1]), line(data[i + 2])];
            const light = 0.2126 * r + 0.7152 * g + 0.0722 * b;
            sum += light;
            white += light > 0.8;
          }
          return [sum / (data.length / 4), white / (data.length / 4)];
        }""",
        list(picture),
    )
    assert bright[0] <= 0.06
    assert bright[1] <= 0.01
