"""What the van file says of its descriptions, and what is said of them."""

from pathlib import Path

import pytest

from logger.decode.frames import Frame
from logger.van.reading import read_van
from replay.listening.described import of_van
from tests.running import ampledger

UNENDED = """VERSION ""
NS_ :
  CM_
BO_ 256 Pack: 4 Meter
 SG_ volts : 0|16@1+ (0.1,0) [0|0] "V" Meter
"""
VAN = """
[van]
name = "Test van"

[[bus]]
name = "drive"
interface = "can0"

[[description]]
bus = "drive"
file = "pack.dbc"
{absent}
[[feed]]
channel = "pack.voltage_v"
bus = "drive"
message = "Pack"
signal = "volts"
"""


def van_file(folder: Path, absent: str = "") -> Path:
    """Write a van file whose description lacks what may be empty."""
    (folder / "pack.dbc").write_text(UNENDED)
    path = folder / "van.toml"
    path.write_text(VAN.format(absent=absent))
    return path


def test_a_mended_description_is_used_and_check_says_so(tmp_path: Path) -> None:
    ran = ampledger("check", van_file(tmp_path))
    assert "van.toml is sound." in ran.out
    assert "pack.dbc: BS_ and BU_ missing; read as if there and empty" in ran.out


@pytest.mark.parametrize(
    ("absent", "payload", "volts"),
    [
        ("", "00 FE 00 00", 6502.4),  # 0xFE00 = 65024 tenths
        ('absent = "described"', "00 FE 00 00", 6502.4),
        ('absent = "j1939"', "00 FE 00 00", None),  # the error range begins
        ('absent = "j1939"', "FF FD 00 00", 6502.3),
        ('absent = "highest"', "00 FE 00 00", 6502.4),
        ('absent = "highest"', "FE FF 00 00", None),
    ],
)
def test_a_description_says_which_values_are_none(
    tmp_path: Path, absent: str, payload: str, volts: float | None
) -> None:
    table = read_van(van_file(tmp_path, absent)).spec.messages["drive"]
    data = bytes.fromhex(payload)
    decoder = table.find(Frame(0, 0, "drive", 256, False, data))
    assert decoder is not None
    assert decoder.decode(data) == ((pytest.approx(volts),) if volts else (None,))


def test_listening_follows_what_the_van_file_says_of_none(tmp_path: Path) -> None:
    (found,) = of_van(read_van(van_file(tmp_path, 'absent = "j1939"')))
    ((_, message),) = found.keyed
    assert message.decode(bytes.fromhex("00 FE 00 00")) == (None,)
