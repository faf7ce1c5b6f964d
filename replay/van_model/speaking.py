"""Lets the invented van speak: a thread that steps the model and sends what is due.

An edge, and the one place in the whole program that sends onto a CAN bus. It takes
virtual buses only, which do not leave this process; any other is refused, so that no
mistake can command a real vehicle.
"""

import logging
import threading
from collections.abc import Mapping

import can
from can.interfaces.virtual import VirtualBus

from logger.clock import Clock
from logger.core.tick import US_PER_S
from logger.errors import SourceError
from replay.van_model.boxes import STEP_US, State, step
from replay.van_model.faults import Faults
from replay.van_model.files import description_texts
from replay.van_model.lines import LINE_END, LINES, SpokenLine
from replay.van_model.messages import SpokenFrame, compile_frames
from replay.van_model.ports import PortWriter
from replay.van_model.timetable import Spoken, Timetable

log = logging.getLogger(__name__)

SHORTEST_WAIT_S = 0.005
"""Of the computer's time: at a high speed several steps are sent in one go."""

LONGEST_LATE_S = 10.0
"""Of the computer's time. What is later than that was asleep with the computer; the van
then stood still too, instead of sending hours at once."""


class Speaker:
    """The van's boxes, speaking for themselves once started."""

    def __init__(
        self,
        state: State,
        clock: Clock,
        buses: Mapping[str, can.BusABC],
        ports: Mapping[str, int],
    ) -> None:
        """Make the boxes ready; they are silent until `start`.

        Args:
            state: The van as it begins.
            clock: The program's clock, by which it drives.
            buses: Virtual buses, by their name in the van file. They stay the caller's,
                who closes them after `join`.
            ports: Ends of pseudo-terminals that do not block, by the port's name; the
                caller's too.

        Raises:
            SourceError: A bus is not a virtual one.
        """
        for name, bus in buses.items():
            if not isinstance(bus, VirtualBus):
                raise SourceError(
                    where=f"bus {name}",
                    saw=f"{type(bus).__name__}, which may be wired to a vehicle",
                    fix="Let the invented van speak on virtual buses only.",
                )
        self.state = state
        self.faults = Faults(frozenset((*buses, *ports)))
        self._clock = clock
        self._buses = dict(buses)
        self._ports = {name: PortWriter(fd) for name, fd in ports.items()}
        spoken: tuple[Spoken, ...] = (*compile_frames(description_texts()), *LINES)
        heard = [s for s in spoken if s.source in self._buses or s.source in ports]
        self._table = Timetable(heard, STEP_US)
        self._stop = threading.Event()
        self._thread = threading.Thread(
            target=self._run, name="invented van", daemon=True
        )

    def start(self) -> None:
        """Begin to drive and speak."""
        self._thread.start()

    def stop(self) -> None:
        """Fall silent; returns at once."""
        self._stop.set()

    def join(self, timeout_s: float | None = None) -> None:
        """Wait until the last word is said.

        Args:
            timeout_s: How long at most, in the computer's seconds; None for ever.
        """
        self._thread.join(timeout_s)

    def mute(self, name: str) -> None:
        """Let a bus or port fall silent."""
        self.faults.mute(name)

    def garble(self, port: str) -> None:
        """Damage every line of a port."""
        self.faults.garble(port)

    def flood(self, bus: str, frames_per_s: float) -> None:
        """Fill a bus with frames that nothing describes, so many a second."""
        self.faults.flood(bus, frames_per_s)

    def mend(self, name: str) -> None:
        """Let a bus or port be sound again."""
        self.faults.mend(name)

    def _run(self) -> None:
        zero_us = self._clock.mono_us() - self.state.t_us
        wait_s = max(STEP_US / US_PER_S, SHORTEST_WAIT_S * self._clock.speed)
        longest_us = round(LONGEST_LATE_S * self._clock.speed * US_PER_S)
        while not self._stop.is_set():
            now_us = self._clock.mono_us() - zero_us
            late_us = now_us - self.state.t_us
            if late_us > longest_us:
                log.info("the invented van stood still for %.0f s", late_us / US_PER_S)
                zero_us += late_us
                continue
            while self.state.t_us <= now_us and not self._stop.is_set():
                self._say()
                self.state = step(self.state, STEP_US / US_PER_S)
            self._clock.wait(self._stop, wait_s)

    def _say(self) -> None:
        """Send what is due, and what a fault adds."""
        for spoken in self._table.due(self.state.t_us):
            if self.faults.is_mute(spoken.source):
                continue
            if isinstance(spoken, SpokenLine):
                self._write(spoken)
            else:
                self._send(spoken.source, _message(spoken, self.state))
        for bus, frame in self.faults.flooding(STEP_US / US_PER_S):
            self._send(bus, frame)

    def _write(self, spoken: SpokenLine) -> None:
        line = self.faults.damaged(spoken.source, spoken.text(self.state))
        try:
            self._ports[spoken.source].write(line + LINE_END)
        except OSError as err:
            log.warning("port %s falls silent: %s", spoken.source, err)
            self.mute(spoken.source)

    def _send(self, bus: str, frame: can.Message) -> None:
        try:
            self._buses[bus].send(frame)
        except can.CanError as err:
            log.warning("bus %s falls silent: %s", bus, err)
            self.mute(bus)


def _message(spoken: SpokenFrame, state: State) -> can.Message:
    return can.Message(
        arbitration_id=spoken.message.frame_id,
        is_extended_id=spoken.message.is_extended_frame,
        data=spoken.payload(state),
    )
