"""What the tests inside plug in and pull: interfaces, and who speaks on them."""

import socket
import struct
import subprocess
from pathlib import Path

FRAME = struct.Struct("=IB3x8s")
"""`struct can_frame` of linux/can.h."""

EXTENDED, REMOTE, ERROR = 0x80000000, 0x40000000, 0x20000000


def ip(*words: str) -> str:
    """Run `ip` as root; return what it says."""
    done = subprocess.run(("ip", *words), capture_output=True, text=True, check=True)
    return done.stdout


def plug(name: str) -> None:
    """Make a virtual interface and switch it on."""
    ip("link", "add", "dev", name, "type", "vcan")
    ip("link", "set", name, "up")


def pull(name: str) -> None:
    """Take an interface away."""
    ip("link", "del", name)


def sent_frames(name: str) -> int:
    """Return how many frames the kernel was ever given to send on an interface."""
    return int(Path(f"/sys/class/net/{name}/statistics/tx_packets").read_text())


class Talker:
    """A box on a bus, over a socket of its own.

    Args:
        name: The interface.
    """

    def __init__(self, name: str) -> None:
        self._socket = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
        self._socket.bind((name,))

    def say(self, number: int, can_id: int = 0x123) -> None:
        """Say a number in eight bytes."""
        self.put(FRAME.pack(can_id, 8, number.to_bytes(8, "big")))

    def put(self, frame: bytes) -> None:
        """Put a frame on the bus as the kernel wants it."""
        self._socket.send(frame)

    def tell_error(self, classes: int, data: str) -> None:
        """Say what a controller would of the bus.

        Args:
            classes: See linux/can/error.h.
            data: The eight bytes of details in hexadecimal.
        """
        self.put(FRAME.pack(ERROR | classes, 8, bytes.fromhex(data)))

    def put_long(self, can_id: int, data: bytes) -> None:
        """Put a frame of up to 64 bytes on the bus (`struct canfd_frame`)."""
        self._socket.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FD_FRAMES, 1)
        self.put(struct.pack("=IB3x64s", can_id, len(data), data))

    def heard(self) -> list[bytes]:
        """Return what others said since the last time, without waiting."""
        found = []
        while True:
            try:
                found.append(self._socket.recv(72, socket.MSG_DONTWAIT))
            except BlockingIOError:
                return found

    def close(self) -> None:
        """Leave the bus."""
        self._socket.close()
