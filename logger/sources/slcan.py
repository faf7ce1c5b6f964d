"""A serial-line CAN adapter (slcan), read by ourselves through pyserial.

Not through python-can (4.6.1): it reads byte by byte, asks the system anew for each,
and waits two seconds at every opening; what that costs is told by
`python -m tests.bench receive`.

The only thing that is ever written to the adapter is how it is to open its bus: `C`
closes it, `S6` sets 500 kbit/s, `L` opens it for listening only, and `C` once more when
all is over. An adapter that does not know `L` stays closed; `O`, which lets it
acknowledge, is written only where the van file asks for that.
"""

import time
from contextlib import suppress

import serial

from logger.decode.slcan import BELL, SlcanReader
from logger.errors import SourceError
from logger.sources.condition import Condition
from logger.sources.inbox import Inbox
from logger.sources.ports import device_sign, open_port
from logger.sources.repeats import Repeats

BAUD_RATE = 115_200
"""Where the interface does not say otherwise (`/dev/ttyUSB0@1000000`); adapters on USB
take any."""

WAIT_S = 0.2
"""Longest wait for a byte: how long a stop may take."""

ANSWER_S = 0.2
"""Longest wait for an answer; some adapters give none."""

NAP_S = 0.016
"""Between two readings of a bus that speaks, so that frames come by the dozen; what a
USB adapter holds back by itself is as long (16 ms; common practice, no source)."""

MOST_BYTES = 4096
"""Read at once; what a Linux terminal holds."""

RATES = {
    10_000: b"S0", 20_000: b"S1", 50_000: b"S2", 100_000: b"S3", 125_000: b"S4",
    250_000: b"S5", 500_000: b"S6", 800_000: b"S7", 1_000_000: b"S8",
}  # fmt: skip
"""Linux, drivers/net/can/slcan."""

CLOSE, LISTEN, ACKNOWLEDGE, END = b"C", b"L", b"O", b"\r"


class SlcanSource:
    """One bus on a serial-line adapter.

    Args:
        bus_name: Name of the bus in the van file.
        interface: The device, with or without `@` and its speed in baud.
        bit_rate: Bits a second of the bus; None for what the adapter is set to.
        listen_only: True if it must not even acknowledge.
        inbox: Where the frames go.

    Attributes:
        reader: Knows what was refused.
    """

    def __init__(
        self,
        bus_name: str,
        interface: str,
        bit_rate: int | None,
        listen_only: bool,
        inbox: Inbox,
    ) -> None:
        self.name = f"bus {bus_name}"
        self.reader = SlcanReader()
        self._bus_name = bus_name
        self._device, _, self._baud = interface.partition("@")
        self._bit_rate = bit_rate
        self._is_listen_only = listen_only
        self._inbox = inbox
        self._refusals = Repeats(lambda text: inbox.tell(self.name, "bus error", text))

    def open(self) -> "SlcanSession":
        """Open the adapter and let it open its bus.

        Raises:
            SourceError: It is not there, or refuses what it is told.
        """
        commands = self._commands()
        port = open_port(
            self._where,
            self._device,
            self._baud or BAUD_RATE,
            "Look at the key interface of this bus.",
            timeout_s=ANSWER_S,
            write_timeout_s=ANSWER_S,
        )
        try:
            self._tell(port, commands)
            return SlcanSession(self, port)
        except BaseException:
            port.close()
            raise

    def sign(self) -> str:
        """Return what changes when the adapter is pulled or plugged in."""
        return device_sign(self._device)

    def condition(self) -> Condition:
        """Return what is wrong on the line; any thread may ask."""
        return Condition(self._refusals.total, 0, self._refusals.words())

    def take_in(self, chunk: bytes) -> int:
        """Hand over the frames of a piece of the stream; return how many."""
        refused_before = self.reader.refused_lines
        frames = self.reader.feed(chunk)
        if frames:
            self._inbox.frames(self.name, self._bus_name, frames)
        refused = self.reader.refused_lines - refused_before
        if refused:
            self._refusals.add("unreadable lines", self._inbox.now_us(), refused)
        return len(frames)

    def begin(self) -> None:
        """Forget a line that an earlier opening left half."""
        self.reader.forget()

    def look(self) -> None:
        """See whether what was wrong is over."""
        self._refusals.look(self._inbox.now_us())

    def _commands(self) -> list[bytes]:
        """Return what the adapter is told.

        Raises:
            SourceError: It has no word for that bit rate.
        """
        opening = LISTEN if self._is_listen_only else ACKNOWLEDGE
        if self._bit_rate is None:
            return [CLOSE, opening]
        if self._bit_rate not in RATES:
            listed = ", ".join(str(rate) for rate in RATES)
            raise self._error(
                f"a bit rate of {self._bit_rate}", f"Such adapters know {listed} bit/s."
            )
        return [CLOSE, RATES[self._bit_rate], opening]

    def _tell(self, port: serial.Serial, commands: list[bytes]) -> None:
        """Tell the adapter one command after the other."""
        for command in commands:
            port.reset_input_buffer()
            port.write(command + END)
            # Frames that were still on their way end in a carriage return, too; what
            # matters is the bell. Closing what is closed may be refused.
            if BELL in port.read_until(END) and command != CLOSE:
                raise self._error(
                    f"an adapter that refuses the command {command.decode()}",
                    "Use one that can listen only, or give the bit rate it knows.",
                )

    def _error(self, saw: str, fix: str) -> SourceError:
        return SourceError(where=self._where, saw=saw, fix=fix)

    @property
    def _where(self) -> str:
        return f"{self.name} ({self._device})"


class SlcanSession:
    """An open adapter.

    Args:
        source: Takes what comes.
        port: Owned by the session from now on.
    """

    def __init__(self, source: SlcanSource, port: serial.Serial) -> None:
        self._source = source
        self._port = port
        self._has_heard = False
        port.timeout = WAIT_S
        source.begin()

    def read(self) -> int:
        """Hand over the frames that came in; return how many."""
        if self._has_heard:
            time.sleep(NAP_S)
        waiting = min(self._port.in_waiting, MOST_BYTES)
        chunk = self._port.read(max(1, waiting))
        self._has_heard = bool(chunk)
        count = self._source.take_in(chunk) if chunk else 0
        self._source.look()
        return count

    def close(self) -> None:
        """Close the adapter's bus and let go of it."""
        with suppress(OSError):
            self._port.write(CLOSE + END)
        self._port.close()
