"""A two-wire line between two pseudo-terminals, with real Modbus devices on it."""

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU

from tests.edges.devices import Terminal, until

Registers = Mapping[int, Mapping[int, list[int]]]
"""By address of the device and of the first register."""


class TwoWire:
    """Carries bytes both ways, and keeps what the program said.

    Args:
        folder: Where the two ends are made.
        echoes: True for an adapter that hears what it says itself.

    Attributes:
        there: Addresses of the devices that hear; the server would answer for others.
    """

    def __init__(self, folder: Path, echoes: bool = False) -> None:
        self.ours = Terminal(folder, "adapter")
        self.theirs = Terminal(folder, "boxes")
        self.said: list[bytes] = []
        self.there: set[int] = set()
        self._lock = threading.Lock()
        self._echoes = echoes
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._carry)
        self._thread.start()

    def questions(self) -> list[ModbusPDU]:
        """Return the questions that the program asked."""
        framer = FramerRTU(DecodePDU(True))
        found = [framer.handleFrame(each, 0, 0)[1] for each in self.said]
        return [each for each in found if each is not None]

    def close(self) -> None:
        """Cut the line."""
        self._stop.set()
        self._thread.join()
        self.ours.pull()
        self.theirs.pull()

    def pull(self) -> None:
        """Pull the plug of the adapter."""
        with self._lock:
            self.ours.pull()

    def plug(self) -> None:
        """Put it in again."""
        with self._lock:
            self.ours.plug()

    def shout(self, data: bytes) -> None:
        """Let somebody speak out of turn."""
        self.ours.speak(data)

    def _carry(self) -> None:
        while not self._stop.wait(0.001):
            with self._lock:
                if self.ours.is_plugged:
                    self._carry_once()

    def _carry_once(self) -> None:
        asked = self.ours.written()
        if asked:
            self.said.append(asked)
            if self._echoes:
                self.ours.speak(asked)
            if asked[0] in self.there:
                self.theirs.speak(asked)
        answered = self.theirs.written()
        if answered:
            self.ours.speak(answered)


@contextmanager
def serving(wire: TwoWire, registers: Registers) -> Iterator[None]:
    """Let devices with these registers be on the line."""
    words = [str(wire.theirs.path), json.dumps(registers)]
    with subprocess.Popen(
        [sys.executable, "-m", "tests.edges.modbus_server", *words],
        cwd=Path(__file__).parents[2],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    ) as process:
        assert until(wire.theirs.is_held)
        wire.there |= set(registers)
        try:
            yield
        finally:
            wire.there -= set(registers)
            process.kill()


@contextmanager
def two_wire(folder: Path, echoes: bool = False) -> Iterator[TwoWire]:
    """Lay a line."""
    wire = TwoWire(folder, echoes)
    try:
        yield wire
    finally:
        wire.close()
