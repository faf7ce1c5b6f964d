"""What receiving costs: a bare loop, python-can's reader, and the logger's own.

The frames come over a UDP socket on loopback, from a process of their own: a stand-in
for an interface, since most computers have no CAN. The kernel hands over the same bytes
by the same call, one datagram a frame. (Real interfaces are in `tests/kernel`.)
Text adapters are on a pseudo-terminal. Only the reader's own processor time counts.
"""

import os
import pty
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import can

from logger.clock import Clock
from logger.pipeline.chain import Pipeline
from logger.sources.inbox import Inbox
from logger.sources.slcan import SlcanSession, SlcanSource
from logger.sources.socketcan import SocketCanSession, SocketCanSource
from logger.van.reading import read_van

FRAME = struct.Struct("=IB3x8s")
"""`struct can_frame` of linux/can.h."""

BUS_HZ = 3800
"""A full bus of 500 kbit/s, frames of 8 bytes."""

BUS_S = 60.0
SHORT_S = 10.0
WAITING = 4000
TIMES = 10
TEXT_FRAMES = 3000
FLOOD_HZ = 20_000.0
LONGEST_S = 20.0
ROUND_S = 0.2
"""The daemon takes what waits five times a second."""

END_ID = 0x7FF
CHANNELS = (
    ("pack.current_a", "A"), ("pack.voltage_v", "V"), ("motor.speed_rpm", "rpm"),
    ("controller.temperature_degc", "degC"), ("cell.max_voltage_v", "V"),
    ("cell.min_voltage_v", "V"), ("aux.voltage_v", "V"), ("meter.soc_pct", "%"),
)  # fmt: skip
"""One message of four signals each, of which one is fed: a van's bus."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What a reader used: processor seconds, and the frames it got."""

    cpu_s: float
    frames: int

    @property
    def us_a_frame(self) -> float:
        """Microseconds of a processor a frame."""
        return 1e6 * self.cpu_s / max(1, self.frames)


class Station:
    """The logger's way of a frame, from the socket to the state of each channel.

    Args:
        folder: Where the van file may be written.
        held: The socket, owned from now on.
    """

    def __init__(self, folder: Path, held: socket.socket) -> None:
        self.inbox = Inbox(Clock(), most_waiting=1_000_000)
        self.source = SocketCanSource("drive", "lo", None, True, self.inbox)
        self.session = SocketCanSession(self.source, held)
        self.pipeline = Pipeline(read_van(van_file(folder)).spec)

    def round(self) -> int:
        """Take and count what waits; return how many frames."""
        self.inbox.beat()
        items = self.inbox.take().items
        self.pipeline.feed(items)
        self.pipeline.readings(self.inbox.now_us())
        return len(items) - 1


def van_file(folder: Path) -> Path:
    """Write a van file with its description; return it."""
    parts = ['VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Box\n']
    feeds = ['[van]\nname = "Dunlin"\n\n[[bus]]\nname = "drive"\ninterface = "can0"\n']
    feeds.append('[[description]]\nbus = "drive"\nfile = "bus.dbc"\n')
    for place, (channel, unit) in enumerate(CHANNELS):
        parts.append(f"BO_ {0x100 + place} Box{place}: 8 Box")
        parts += [
            f' SG_ Value{n} : {16 * n}|16@1- (0.001,0) [0|0] "{unit}" Box'
            for n in range(4)
        ]
        feeds.append(
            f'[[feed]]\nchannel = "{channel}"\nbus = "drive"\n'
            f'message = "Box{place}"\nsignal = "Value1"\n'
        )
    (folder / "bus.dbc").write_text("\n".join(parts) + "\n")
    path = folder / "van.toml"
    path.write_text("\n".join(feeds))
    return path


def main() -> Iterator[str]:
    """Yield the lines of the report."""
    yield f"{'figure':<58} {'to reach':>10} {'measured':>12}"
    bare, full = waiting_costs()
    yield line("bare recvmsg loop, frames waiting", "", bare.us_a_frame, "us/frame")
    yield line(
        "receive, decode, state, frames waiting", "", full.us_a_frame, "us/frame"
    )
    ratio = full.us_a_frame / bare.us_a_frame
    yield line("  against the bare loop", "<= 4", ratio, "times")
    bare, full = paced_costs()
    yield line("bare recvmsg loop, full bus", "", bare.us_a_frame, "us/frame")
    yield line("receive, decode, state, full bus", "", full.us_a_frame, "us/frame")
    ratio = full.us_a_frame / bare.us_a_frame
    yield line("  against the bare loop", "<= 4", ratio, "times")
    with tempfile.TemporaryDirectory() as name:
        cost = full_bus(Path(name), BUS_S)
    sent = int(BUS_S * BUS_HZ)
    yield line("full bus for 60 s: frames lost", "0", sent - cost.frames, "frames")
    yield line("  processor", "<= 5 %", 100 * cost.cpu_s / BUS_S, "% of a core")
    yield from text_lines()


def line(what: str, goal: str, measured: float, unit: str) -> str:
    """Return one line of the report."""
    return f"{what:<58} {goal:>10} {measured:>12.2f} {unit}"


def waiting_costs() -> tuple[Cost, Cost]:
    """Return the costs of a bare loop and of ours, of frames that wait already."""
    with tempfile.TemporaryDirectory() as name:
        near, far = pair()
        station = Station(Path(name), near)
        bare_s, full_s, got = 0.0, 0.0, 0
        for _ in range(TIMES):
            fill(far)
            began_s = time.process_time()
            for _ in range(WAITING):
                near.recvmsg(72, 64)
            bare_s += time.process_time() - began_s
            fill(far)
            began_s = time.process_time()
            while station.session.read():
                pass
            got += station.round()
            full_s += time.process_time() - began_s
        station.session.close()
        far.close()
    return Cost(bare_s, TIMES * WAITING), Cost(full_s, got)


def paced_costs() -> tuple[Cost, Cost]:
    """Return the costs of a bare loop and of ours, of frames as a full bus has them."""
    near, far = pair()
    near.setblocking(True)
    began_s, got = time.process_time(), 0
    with sender(far, SHORT_S):
        while near.recvmsg(72, 64)[0][:4] != END_ID.to_bytes(4, sys.byteorder):
            got += 1
    bare = Cost(time.process_time() - began_s, got)
    near.close()
    with tempfile.TemporaryDirectory() as name:
        return bare, full_bus(Path(name), SHORT_S)


def full_bus(folder: Path, seconds: float) -> Cost:
    """Receive, decode and count a full bus; return what that cost.

    One thread reads and one takes, five times a second, as the logger has them.
    """
    near, far = pair()
    station = Station(folder, near)
    stop = threading.Event()

    def read() -> None:
        while not stop.is_set():
            station.session.read()

    thread = threading.Thread(target=read)
    began_s, got = time.process_time(), 0
    thread.start()
    with sender(far, seconds) as process:
        while process.poll() is None:
            time.sleep(ROUND_S)
            got += station.round()
    stop.set()
    thread.join()
    got += station.round()
    cost = Cost(time.process_time() - began_s, got - 1)
    station.session.close()
    return cost


def pair() -> tuple[socket.socket, socket.socket]:
    """Return a socket to read from, with room, and one that sends to it."""
    near, far = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(2))
    near.bind(("127.0.0.1", 0))
    for option in (socket.SO_RCVBUF, 33):
        # The second, SO_RCVBUFFORCE, may give more, and only to root.
        try:
            near.setsockopt(socket.SOL_SOCKET, option, 16 << 20)
        except OSError:
            continue
    near.setblocking(False)
    far.connect(near.getsockname())
    return near, far


def fill(far: socket.socket) -> None:
    """Send a batch of frames."""
    for number in range(WAITING):
        far.send(frame(number))


def frame(number: int) -> bytes:
    """Return one of the frames of the bus, as the kernel tells it."""
    value = (number % 30_000).to_bytes(2, "little")
    return FRAME.pack(0x100 + number % len(CHANNELS), 8, value * 4)


def sender(far: socket.socket, seconds: float) -> "subprocess.Popen[bytes]":
    """Start a process that plays a full bus; it ends with a frame that says so."""
    words = [sys.executable, "-m", "tests.bench.full_bus", str(far.fileno())]
    started = subprocess.Popen([*words, str(seconds)], pass_fds=[far.fileno()])
    far.close()
    return started


def text_lines() -> Iterator[str]:
    """Yield the costs of python-can's reader of a text adapter, and of ours."""
    for how, hz in (("full bus", float(BUS_HZ)), ("flood", FLOOD_HZ)):
        theirs, ours = text_cost(python_can, hz), text_cost(our_own, hz)
        name = f"text adapter, {how}"
        yield line(f"{name}: python-can's reader", "", theirs.us_a_frame, "us/frame")
        yield line(f"{name}: our reader", "", ours.us_a_frame, "us/frame")
        ratio = theirs.us_a_frame / ours.us_a_frame
        yield line("  python-can's against ours", ">= 50", ratio, "times")


def text_cost(reader: Callable[[str, threading.Event], Cost], hz: float) -> Cost:
    """Return what a reader used for frames that an adapter tells it."""
    master, slave = pty.openpty()
    for end in (master, slave):
        tty.setraw(end)
    is_open = threading.Event()
    words = [sys.executable, "-m", "tests.bench.full_bus", str(master), "text"]
    words += [str(TEXT_FRAMES), str(hz)]

    def start() -> None:
        is_open.wait()
        with subprocess.Popen(words, pass_fds=[master]):
            pass

    thread = threading.Thread(target=start)
    thread.start()
    try:
        return reader(os.ttyname(slave), is_open)
    finally:
        is_open.set()
        thread.join()
        os.close(slave)
        os.close(master)


def python_can(device: str, is_open: threading.Event) -> Cost:
    """Read by python-can, as it comes."""
    bus = can.Bus(
        interface="slcan", channel=device, bitrate=500_000, listen_only=True,
        sleep_after_open=0.0, ignore_config=True,
    )  # fmt: skip
    is_open.set()
    began_s = time.thread_time()
    got = 0
    end_s = time.perf_counter() + LONGEST_S
    while got < TEXT_FRAMES and time.perf_counter() < end_s:
        got += bus.recv(1.0) is not None
    used_s = time.thread_time() - began_s
    bus.shutdown()
    return Cost(used_s, got)


def our_own(device: str, is_open: threading.Event) -> Cost:
    """Read by the logger's own source, into its inbox."""
    inbox = Inbox(Clock())
    session: SlcanSession = SlcanSource("drive", device, 500_000, True, inbox).open()
    is_open.set()
    began_s = time.thread_time()
    got = 0
    end_s = time.perf_counter() + LONGEST_S
    while got < TEXT_FRAMES and time.perf_counter() < end_s:
        got += session.read()
    used_s = time.thread_time() - began_s
    session.close()
    return Cost(used_s, got)
