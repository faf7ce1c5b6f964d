"""pymodbus' own server on a serial port, in a process of its own.

`python -m tests.edges.modbus_server DEVICE '{"3": {"100": [1, 2]}}'` serves registers,
by address of the device and of the first register.
"""

import asyncio
import json
import sys

from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice


def devices(text: str) -> list[SimDevice]:
    """Return the devices that a text describes."""
    return [
        SimDevice(
            int(address),
            [
                SimData(int(start), values=words, datatype=DataType.REGISTERS)
                for start, words in blocks.items()
            ],
        )
        for address, blocks in json.loads(text).items()
    ]


async def serve(device: str, text: str) -> None:
    """Serve for ever."""
    server = ModbusSerialServer(devices(text), port=device, baudrate=19_200)
    await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(serve(sys.argv[1], sys.argv[2]))
