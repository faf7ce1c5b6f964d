"""What goes wrong with the invented van's boxes, on demand.

Told from one thread and asked by another: each change replaces a value as a whole.
"""

from collections.abc import Mapping

import can

FLOOD_ID = 0x7F1
"""Nothing describes it."""

GARBLED_BITS = 0x15
"""Flipped in the middle byte of a damaged line. In one byte only: in two, the checksum
would come out right again."""


class Faults:
    """The faults that hold at the moment, by the name of bus or port."""

    def __init__(self, names: frozenset[str]) -> None:
        """Begin with sound boxes.

        Args:
            names: The buses and ports that there are.
        """
        self._names = names
        self._mute: frozenset[str] = frozenset()
        self._garbled: frozenset[str] = frozenset()
        self._floods: Mapping[str, float] = {}
        self._owed: dict[str, float] = {}

    def mute(self, name: str) -> None:
        """Let a bus or port fall silent."""
        self._mute |= {self._known(name)}

    def garble(self, port: str) -> None:
        """Damage every line of a port."""
        self._garbled |= {self._known(port)}

    def flood(self, bus: str, frames_per_s: float) -> None:
        """Fill a bus with frames that nothing describes, so many a second."""
        self._floods = {**self._floods, self._known(bus): frames_per_s}

    def mend(self, name: str) -> None:
        """Let a bus or port be sound again."""
        self._mute -= {self._known(name)}
        self._garbled -= {name}
        self._floods = {bus: rate for bus, rate in self._floods.items() if bus != name}

    def is_mute(self, name: str) -> bool:
        """Return whether a bus or port is silent."""
        return name in self._mute

    def damaged(self, port: str, line: bytes) -> bytes:
        """Return a line as it comes out of its port, its checksum no longer right."""
        if port not in self._garbled:
            return line
        middle = len(line) // 2
        wrong = bytes((line[middle] ^ GARBLED_BITS,))
        return line[:middle] + wrong + line[middle + 1 :]

    def flooding(self, dt_s: float) -> list[tuple[str, can.Message]]:
        """Return the frames that floods add within a step, each with its bus.

        Args:
            dt_s: Length of the step, s.
        """
        added = []
        for bus, frames_per_s in self._floods.items():
            owed = self._owed.get(bus, 0.0) + frames_per_s * dt_s
            self._owed[bus] = owed % 1.0
            added += [
                (bus, can.Message(arbitration_id=FLOOD_ID, is_extended_id=False))
                for _ in range(int(owed))
            ]
        return added

    def _known(self, name: str) -> str:
        if name not in self._names:
            raise ValueError(f"no bus or port {name!r}")
        return name
