"""What pages stand on: named by content, packed once, nothing else within reach."""

import gzip
import re
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from plotly import offline  # type: ignore[import-untyped] # has none

from dashboard.assets import STATIC, asset, assets, static_routes

BUNDLE = "vendor/plotly-basic.min.js"


@pytest.fixture
def client() -> TestClient:
    app = FastAPI()
    app.include_router(static_routes())
    return TestClient(app)


@pytest.mark.parametrize("name", sorted(assets()))
def test_a_file_is_served_for_good_under_the_hash_of_its_content(
    client: TestClient, name: str
) -> None:
    url = asset(name)
    assert re.fullmatch(r"/static/[a-z/.-]+\.[0-9a-f]{12}\.[a-z]+", url, re.IGNORECASE)
    answer = client.get(url)
    assert answer.status_code == 200
    assert "immutable" in answer.headers["cache-control"]
    file = STATIC / name
    packed = STATIC / f"{name}.gz"
    expected = (
        file.read_bytes() if file.exists() else gzip.decompress(packed.read_bytes())
    )
    assert answer.content == expected


def test_a_browser_gets_gzip_only_where_it_takes_it(client: TestClient) -> None:
    url = asset("ui.css")
    packed = client.get(url, headers={"Accept-Encoding": "br, gzip"})
    plain = client.get(url, headers={"Accept-Encoding": "identity"})
    refused = client.get(url, headers={"Accept-Encoding": "gzip;q=0"})
    assert packed.headers["content-encoding"] == "gzip"
    assert "content-encoding" not in plain.headers
    assert "content-encoding" not in refused.headers
    assert packed.content == plain.content == refused.content
    assert "accept-encoding" in packed.headers["vary"].lower()


@pytest.mark.parametrize(
    "path",
    ["/static/ui.css", "/static/ui.000000000000.css", "/static/", "/static/nothing",
     "/static/../pages.py", "/static/%2e%2e/pages.py", "/static/..%2fpages.py",
     "/static/vendor/plotly-basic.min.js.gz", "/static//etc/passwd"],
)  # fmt: skip
def test_nothing_else_is_within_reach(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404


@pytest.mark.parametrize(
    ("name", "kind"),
    [("ui.css", "text/css"), ("drive.js", "text/javascript"),
     ("icon.svg", "image/svg+xml"), (BUNDLE, "text/javascript")],
)  # fmt: skip
def test_a_file_is_called_what_it_is(client: TestClient, name: str, kind: str) -> None:
    answer = client.get(asset(name))
    assert answer.headers["content-type"].split(";")[0] == kind
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_the_chart_bundle_is_the_one_that_the_python_half_carries() -> None:
    text = gzip.decompress((STATIC / f"{BUNDLE}.gz").read_bytes()).decode()
    (version,) = re.findall(r"plotly\.js \(basic - minified\) v([0-9.]+)", text)
    assert version == offline.get_plotlyjs_version()


def test_the_chart_bundle_is_the_small_one_and_has_its_licence_beside_it() -> None:
    folder = STATIC / "vendor"
    assert (folder / "plotly-basic.min.js.gz").stat().st_size < 450_000
    licence = (folder / "plotly-basic.LICENSE.txt").read_text(encoding="utf-8")
    assert "MIT" in licence


def ours() -> list[Path]:
    return sorted(STATIC.glob("*.*")) + sorted(STATIC.parent.glob("templates/*.html"))


@pytest.mark.parametrize("path", ours(), ids=lambda path: str(path.name))
def test_no_page_asks_another_host_or_has_style_or_script_in_line(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    text = text.replace('xmlns="http://www.w3.org/2000/svg"', "")
    assert not re.search(r"https?://|//cdn|@import|url\((?!#)", text)
    assert not re.search(r"\sstyle=|<style|\son[a-z]+=\"", text)
    assert not re.search(r"<script(?![^>]*\ssrc=)", text)
