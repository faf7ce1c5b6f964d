"""The desk keeps what was laid on it, and lets in only phones that told the code."""

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from logger.core.tick import US_PER_S
from logger.desk import Desk, DeskEntry
from logger.errors import StoreError
from logger.phones import CODE_DIGITS, PAIRING_S, WRONG_TRIES, Phone

NOW_US = 5_000 * US_PER_S
"""Uptime of the computer in these tests."""


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "desk.db")


def wrong(code: str) -> str:
    """Return another code."""
    return f"{(int(code) + 1) % 10**CODE_DIGITS:0{CODE_DIGITS}}"


def test_an_entry_comes_back_as_it_was_laid(desk: Desk) -> None:
    assert desk.note(7, "New tyres") == 1
    assert desk.tell(8, "awning.left.extended", 1.0) == 2
    assert desk.after(0) == [
        DeskEntry(1, 7, "note", "New tyres", "", 0.0),
        DeskEntry(2, 8, "reading", "", "awning.left.extended", 1.0),
    ]
    assert [entry.number for entry in desk.after(1)] == [2]


def test_there_is_nothing_on_a_desk_that_was_never_used(desk: Desk) -> None:
    assert desk.after(0) == []
    assert desk.phones() == []
    assert not desk.is_paired("x" * 43)
    assert not desk.unpair(1)
    assert desk.pair("00000000", NOW_US, "phone") is None
    assert not desk.path.exists()


def test_a_desk_of_an_older_program_has_no_phones(desk: Desk) -> None:
    with sqlite3.connect(desk.path) as connection:
        connection.execute("CREATE TABLE entry (number INTEGER PRIMARY KEY) STRICT")
    connection.close()
    assert desk.phones() == []
    assert not desk.is_paired("x" * 43)
    assert not desk.unpair(1)
    assert desk.pair("00000000", NOW_US, "phone") is None


def test_a_code_has_eight_digits_and_pairs_one_phone(desk: Desk) -> None:
    code = desk.open_pairing(NOW_US)
    assert len(code) == 8
    assert code.isdigit()
    token = desk.pair(code, NOW_US + US_PER_S, "Ana's phone", 1_790_000_000_000_000)
    assert token is not None
    assert len(token) == 43  # 256 bits in base 64
    assert desk.is_paired(token)
    assert desk.phones() == [Phone(1, 1_790_000_000_000_000, "Ana's phone")]


def test_a_code_is_good_once(desk: Desk) -> None:
    code = desk.open_pairing(NOW_US)
    assert desk.pair(code, NOW_US, "first") is not None
    assert desk.pair(code, NOW_US, "second") is None


def test_of_many_phones_with_one_code_one_is_paired(desk: Desk) -> None:
    code = desk.open_pairing(NOW_US)
    with ThreadPoolExecutor(6) as pool:
        tokens = list(pool.map(lambda _: desk.pair(code, NOW_US, "x"), range(6)))
    assert sum(token is not None for token in tokens) == 1
    assert len(desk.phones()) == 1


def test_a_code_lives_ten_minutes(desk: Desk) -> None:
    assert PAIRING_S == 600
    code = desk.open_pairing(NOW_US)
    assert desk.pair(code, NOW_US + 600 * US_PER_S, "late") is None
    code = desk.open_pairing(NOW_US)
    assert desk.pair(code, NOW_US + 600 * US_PER_S - 1, "in time") is not None


def test_a_code_does_not_outlive_the_start_of_the_computer(desk: Desk) -> None:
    code = desk.open_pairing(NOW_US)
    assert desk.pair(code, US_PER_S, "after a power cut") is None
    assert desk.pair(code, NOW_US, "even later") is None


def test_five_wrong_codes_close_the_window(desk: Desk) -> None:
    assert WRONG_TRIES == 5
    code = desk.open_pairing(NOW_US)
    for _ in range(5):
        assert desk.pair(wrong(code), NOW_US, "guess") is None
    assert desk.pair(code, NOW_US, "too late") is None
    assert desk.pair(desk.open_pairing(NOW_US), NOW_US, "anew") is not None


def test_four_wrong_codes_do_not(desk: Desk) -> None:
    code = desk.open_pairing(NOW_US)
    for _ in range(4):
        assert desk.pair(wrong(code), NOW_US, "guess") is None
    assert desk.pair(code, NOW_US, "right at last") is not None


def test_wrong_codes_at_once_are_all_counted(desk: Desk) -> None:
    code = desk.open_pairing(NOW_US)
    with ThreadPoolExecutor(5) as pool:
        list(pool.map(lambda _: desk.pair(wrong(code), NOW_US, "x"), range(5)))
    assert desk.pair(code, NOW_US, "too late") is None


@pytest.mark.parametrize("typed", ["", "x", "1" * 4000, "٣٣٣٣٣٣٣٣", "\0" * 8])
def test_what_is_no_code_is_a_wrong_one(desk: Desk, typed: str) -> None:
    desk.open_pairing(NOW_US)
    assert desk.pair(typed, NOW_US, "guess") is None


def test_a_new_code_makes_the_old_one_void(desk: Desk) -> None:
    old = desk.open_pairing(NOW_US)
    new = desk.open_pairing(NOW_US)
    assert desk.pair(old, NOW_US, "old") is None
    assert desk.pair(new, NOW_US, "new") is not None


def test_a_phone_can_be_taken_off_the_list(desk: Desk) -> None:
    first = desk.pair(desk.open_pairing(NOW_US), NOW_US, "first")
    second = desk.pair(desk.open_pairing(NOW_US), NOW_US, "second")
    assert first is not None
    assert second is not None
    assert desk.unpair(1)
    assert not desk.unpair(1)
    assert not desk.is_paired(first)
    assert desk.is_paired(second)
    assert [phone.number for phone in desk.phones()] == [2]


def test_neither_code_nor_token_lies_in_the_file(desk: Desk) -> None:
    open_code = desk.open_pairing(NOW_US)
    assert open_code.encode() not in desk.path.read_bytes()
    token = desk.pair(open_code, NOW_US, "phone")
    assert token is not None
    held = desk.path.read_bytes()
    assert open_code.encode() not in held
    assert token.encode() not in held


def test_a_file_that_is_no_desk_is_told(tmp_path: Path) -> None:
    path = tmp_path / "desk.db"
    path.write_bytes(b"these are not the bytes of a database" * 40)
    for use in (
        lambda: Desk(path).note(1, "x"),
        lambda: Desk(path).after(0),
        lambda: Desk(path).is_paired("x"),
        lambda: Desk(path).open_pairing(1),
    ):
        with pytest.raises(StoreError, match=r"desk\.db"):
            use()
