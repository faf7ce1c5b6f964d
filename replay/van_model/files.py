"""The van file of the invented van and its descriptions, and copies of them.

Reads the files beside this module; decides nothing.
"""

from collections.abc import Mapping
from pathlib import Path

HERE = Path(__file__).parent
VAN_FILE = "van.toml"
DESCRIPTIONS = {"drive": "dunlin-drive.dbc", "house": "dunlin-house.dbc"}
"""The description of each bus, by the bus's name in the van file."""

CHANNELS = {"drive": "dunlin-drive", "house": "dunlin-house"}
"""The virtual bus behind each bus, as the van file's `interface` has it."""

PORTS = ("roof", "meter")
"""The serial ports. Their devices stand in the van file as `@roof@` and `@meter@`."""


def description_texts() -> dict[str, str]:
    """Return the text of each bus's description, by the bus's name."""
    return {
        bus: (HERE / name).read_text(encoding="ascii")
        for bus, name in DESCRIPTIONS.items()
    }


def van_text(roof_device: str, meter_device: str) -> str:
    """Return the van file with its ports filled in.

    Args:
        roof_device: Path of the port of the solar controllers.
        meter_device: Path of the port of the battery meter.
    """
    text = (HERE / VAN_FILE).read_text(encoding="utf-8")
    return text.replace("@roof@", roof_device).replace("@meter@", meter_device)


def copy_files(folder: Path, devices: Mapping[str, str]) -> Path:
    """Write the van file and its descriptions into a folder; return the van file.

    Args:
        folder: Where to; it must exist.
        devices: The path of each port, by the port's name in the van file.
    """
    for name in DESCRIPTIONS.values():
        (folder / name).write_bytes((HERE / name).read_bytes())
    path = folder / VAN_FILE
    path.write_text(van_text(devices["roof"], devices["meter"]), encoding="utf-8")
    return path
