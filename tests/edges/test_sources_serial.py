"""A serial port of text lines, over real pseudo-terminals."""

from pathlib import Path

import pytest

from logger.clock import Clock
from logger.decode.frames import Line
from logger.errors import SourceError
from logger.sources.inbox import Inbox
from logger.sources.serial_port import SerialSession, SerialSource
from tests.edges.devices import Terminal


def source(inbox: Inbox, device: Path, baud_rate: int = 19_200) -> SerialSource:
    """Return the port `roof`."""
    return SerialSource("roof", str(device), baud_rate, inbox)


def lines(session: SerialSession, inbox: Inbox, count: int) -> list[bytes]:
    """Read until so many lines have come; return them."""
    total = 0
    while total < count:
        total += session.read()
    return [item.data for item in inbox.take().items if isinstance(item, Line)]


def test_lines_come_in_whole_and_in_order(tmp_path: Path) -> None:
    terminal, inbox = Terminal(tmp_path), Inbox(Clock())
    session = source(inbox, terminal.path).open()
    terminal.speak(b"V=12.5\r\nI=")
    terminal.speak(b"-3.1\r\n\r\nP=")
    assert lines(session, inbox, 2) == [b"V=12.5", b"I=-3.1"]
    terminal.speak(b"7\n")
    assert lines(session, inbox, 1) == [b"P=7"]
    session.close()
    terminal.pull()


def test_bytes_are_left_as_they_are(tmp_path: Path) -> None:
    # A terminal left in its usual mode would translate, echo or obey some of these.
    data = bytes(set(range(256)) - {10, 13})
    terminal, inbox = Terminal(tmp_path), Inbox(Clock())
    session = source(inbox, terminal.path).open()
    terminal.speak(data + b"\n")
    assert lines(session, inbox, 1) == [data]
    session.close()
    terminal.pull()


def test_a_quiet_port_is_waited_for_and_no_longer(tmp_path: Path) -> None:
    terminal, inbox = Terminal(tmp_path), Inbox(Clock())
    session = source(inbox, terminal.path).open()
    before_us = inbox.now_us()
    assert session.read() == 0
    assert inbox.now_us() - before_us >= 150_000
    session.close()
    terminal.pull()


def test_a_line_without_an_end_is_counted_and_the_next_one_comes(
    tmp_path: Path,
) -> None:
    terminal, inbox = Terminal(tmp_path), Inbox(Clock())
    port = source(inbox, terminal.path)
    session = port.open()
    for _ in range(3):
        terminal.speak(b"\xaa" * 1500)
        session.read()
    terminal.speak(b"\nV=12.5\n")
    assert lines(session, inbox, 1) == [b"V=12.5"]
    assert port.cut_lines == 1
    session.close()
    terminal.pull()


def test_a_pulled_plug_is_an_error_and_not_silence(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path)
    session = source(Inbox(Clock()), terminal.path).open()
    terminal.pull()
    with pytest.raises(OSError, match=r".+"):
        session.read()
    session.close()


def test_a_port_that_is_not_there_is_told(tmp_path: Path) -> None:
    port = source(Inbox(Clock()), tmp_path / "gone")
    with pytest.raises(SourceError) as caught:
        port.open()
    assert str(caught.value) == (
        f"port roof ({tmp_path}/gone): found no such file or directory. "
        "Look whether it is plugged in, and under which name."
    )


def test_a_port_is_held_by_one_reader_alone(tmp_path: Path) -> None:
    terminal, inbox = Terminal(tmp_path), Inbox(Clock())
    session = source(inbox, terminal.path).open()
    with pytest.raises(SourceError, match="another program holding it"):
        source(inbox, terminal.path).open()
    session.close()
    source(inbox, terminal.path).open().close()
    terminal.pull()


def test_a_file_is_no_port(tmp_path: Path) -> None:
    (tmp_path / "notes").write_text("V=12.5\n")
    with pytest.raises(SourceError, match="port roof"):
        source(Inbox(Clock()), tmp_path / "notes").open()


def test_nothing_is_written_to_the_box(tmp_path: Path) -> None:
    terminal, inbox = Terminal(tmp_path), Inbox(Clock())
    session = source(inbox, terminal.path).open()
    terminal.speak(b"V=12.5\n")
    lines(session, inbox, 1)
    session.close()
    assert terminal.written() == b""
    terminal.pull()
