"""Fifty phones in one process: `python -m tests.bench.listeners PORT SECONDS N`.

Each opens the event stream over a socket of its own, from an address of its own within
the loopback range, and notes when each message came. Prints JSON: for every message the
uptime at which each phone had it whole.
"""

import asyncio
import json
import sys
from collections import defaultdict

from logger.clock import uptime_us


async def listen(port: int, number: int, came: dict[int, list[int]]) -> None:
    """Read one stream until cancelled.

    Args:
        port: Where the dashboard serves, on loopback.
        number: Of the phone, from 0.
        came: Uptimes in microseconds by the number of the snapshot.
    """
    address = (f"127.0.{1 + number // 100}.{1 + number % 100}", 0)
    reader, writer = await asyncio.open_connection(
        "127.0.0.1", port, local_addr=address
    )
    request = (
        f"GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n"
        "Accept: text/event-stream\r\n\r\n"
    )
    writer.write(request.encode())
    try:
        while line := await reader.readline():
            if line.startswith(b"data: "):
                now_us = uptime_us()
                seq = json.loads(line[6:])["seq"]
                came[seq].append(now_us)
    finally:
        writer.close()


async def all_of(port: int, count: int, seconds: float) -> dict[int, list[int]]:
    """Let so many phones listen for some seconds."""
    came: dict[int, list[int]] = defaultdict(list)
    tasks = [asyncio.create_task(listen(port, n, came)) for n in range(count)]
    await asyncio.sleep(seconds)
    for task in tasks:
        task.cancel()
    ended = await asyncio.gather(*tasks, return_exceptions=True)
    for end in ended:
        if isinstance(end, Exception):
            raise end
    return came


def main() -> None:
    """Listen as the command line says, and print what came when."""
    port, seconds, count = int(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3])
    came = asyncio.run(all_of(port, count, seconds))
    sys.stdout.write(json.dumps(came))


if __name__ == "__main__":
    main()
