"""Pairing a phone in a browser without a script, and the commands beside it."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from dashboard.guests import COOKIE
from dashboard.site import Site
from logger.clock import uptime_us
from logger.core.tick import US_PER_S
from logger.desk import Desk
from logger.phones import PAIRING_S
from tests.running import ampledger
from tests.web.sites import HTML, ORIGIN, asking, site

OWN = {"origin": ORIGIN} | HTML


@pytest.fixture
def van(tmp_path: Path) -> Site:
    return site(tmp_path)


@pytest.fixture
def desk(van: Site) -> Desk:
    assert van.desk is not None
    return van.desk


@pytest.fixture
def client(van: Site) -> Iterator[TestClient]:
    with asking(van) as found:
        yield found


def pair(client: TestClient, code: str, label: str = "") -> int:
    """Send the form as a browser does; return the status."""
    fields = {"code": code, "label": label}
    return client.post("/pair", data=fields, headers=OWN).status_code


def other(code: str) -> str:
    """Return another code."""
    return f"{(int(code) + 1) % 10**8:08}"


def test_the_form_needs_no_script_and_no_style_of_its_own(client: TestClient) -> None:
    page = client.get("/pair", headers=HTML)
    assert page.status_code == 200
    assert '<form method="post" action="/pair"' in page.text
    assert not re.search(r"<style|<script(?![^>]*src=)|\son\w+=|\sstyle=", page.text)


def test_the_right_code_pairs_the_browser(client: TestClient, desk: Desk) -> None:
    code = desk.open_pairing(uptime_us())
    answer = client.post("/pair", data={"code": code, "label": "Ana"}, headers=OWN)
    assert (answer.status_code, answer.headers["location"]) == (303, "/drive")
    assert client.get("/drive", headers=HTML).status_code == 200
    assert [phone.label for phone in desk.phones()] == ["Ana"]


def test_the_cookie_is_kept_from_scripts_and_other_sites(
    client: TestClient, desk: Desk
) -> None:
    code = desk.open_pairing(uptime_us())
    answer = client.post("/pair", data={"code": code}, headers=OWN)
    first, *rest = answer.headers["set-cookie"].split("; ")
    assert re.fullmatch(rf"{COOKIE}=[\w-]{{43}}", first)
    assert {part.lower() for part in rest} == {
        *("httponly", "samesite=strict", "max-age=31536000", "path=/")
    }


@pytest.mark.parametrize("typed", ["{0} {1}", "{0}-{1}", " {0}{1} "])
def test_a_code_may_be_typed_with_a_gap(
    client: TestClient, desk: Desk, typed: str
) -> None:
    code = desk.open_pairing(uptime_us())
    assert pair(client, typed.format(code[:4], code[4:])) == 303


def test_a_code_pairs_one_browser(client: TestClient, desk: Desk) -> None:
    code = desk.open_pairing(uptime_us())
    assert [pair(client, code), pair(client, code)] == [303, 403]


def test_a_code_of_ten_minutes_ago_is_refused(client: TestClient, desk: Desk) -> None:
    code = desk.open_pairing(uptime_us() - PAIRING_S * US_PER_S)
    assert pair(client, code) == 403


def test_five_wrong_codes_close_the_window(client: TestClient, desk: Desk) -> None:
    code = desk.open_pairing(uptime_us())
    assert {pair(client, other(code)) for _ in range(5)} == {403}
    assert pair(client, code) == 403
    assert desk.phones() == []


def test_wrong_codes_shut_no_paired_phone_out(
    van: Site, client: TestClient, desk: Desk
) -> None:
    assert pair(client, desk.open_pairing(uptime_us())) == 303
    with asking(van) as attacker:
        code = desk.open_pairing(uptime_us())
        for _ in range(8):
            assert pair(attacker, other(code)) == 403
    assert client.get("/drive", headers=HTML).status_code == 200


def test_without_a_window_no_code_is_right(client: TestClient, desk: Desk) -> None:
    assert pair(client, "00000000") == 403
    assert not desk.path.exists()  # strangers make no file


@pytest.mark.parametrize(
    "body",
    [b"", b"code", b"\xff\xfe=1", b"&" * 5000, b'{"code": "1"}', b"code=%00%ff%ed%a0"],
)
def test_a_broken_form_is_a_wrong_code(
    client: TestClient, desk: Desk, body: bytes
) -> None:
    desk.open_pairing(uptime_us())
    assert client.post("/pair", content=body, headers=OWN).status_code == 403


def test_a_label_is_shortened_and_harmless(client: TestClient, desk: Desk) -> None:
    code = desk.open_pairing(uptime_us())
    assert pair(client, code, label="  <b>\n" + "x" * 500) == 303
    (phone,) = desk.phones()
    assert phone.label == ("<b> " + "x" * 500)[:40]


def test_where_nothing_may_be_entered_no_phone_is_paired(tmp_path: Path) -> None:
    with asking(site(tmp_path, desk=None)) as client:
        page = client.get("/pair", headers=HTML)
        assert page.status_code == 200
        assert "<form" not in page.text
        assert pair(client, "12345678") == 403


def test_the_commands_pair_list_and_remove(desk: Desk, client: TestClient) -> None:
    words = ("--desk", desk.path)
    assert "No phone is paired" in ampledger("phones", *words).out
    shown = ampledger("pair", *words)
    assert shown.code == 0
    assert "10 minutes" in shown.out
    assert "/pair" in shown.out
    typed = re.search(r"\d{4} \d{4}", shown.out)
    assert typed is not None
    assert pair(client, typed[0], "Ana's phone") == 303
    assert re.search(r"^ +1  \d{4}-\d\d-\d\d  Ana's phone$",
                     ampledger("phones", *words).out, re.MULTILINE)  # fmt: skip
    assert ampledger("phones", *words, "--remove", "7").code == 2
    assert ampledger("phones", *words, "--remove", "1").code == 0
    assert desk.phones() == []
