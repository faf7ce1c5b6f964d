"""Lines of serial ports in the van file, and what is told because no box does."""

from pathlib import Path

import pytest

from logger.decode.checksums import Checksum
from logger.decode.text_lines import LineForm
from logger.errors import ConfigError
from logger.pipeline.spec import PipelineSpec
from logger.van.reading import Van, read_van

SOUND = """
[van]
name = "Test van"

[[port]]
name = "meter"
device = "/dev/ttyTEST0"
baud_rate = 19200

[[port]]
name = "roof"
device = "/dev/ttyTEST1"

[[line]]
name = "main"
port = "meter"
begins = "M,"
checksum = "xor"
columns = ["kind", "volts", "amps"]

[[line]]
name = "charge"
port = "meter"
begins = "C,"
columns = ["kind", "soc"]

[[line]]
name = "sun"
port = "roof"
separator = "\\t"

[[feed]]
channel = "meter.voltage_v"
port = "meter"
line = "main"
field = "volts"
scale = 0.001

[[feed]]
channel = "meter.current_a"
port = "meter"
line = "main"
field = "amps"
flip = true
max_gap_s = 30.0

[[feed]]
channel = "sun.roof.power_w"
port = "roof"
line = "sun"
field = "W"

[[feed]]
channel = "meter.soc_pct"
port = "meter"
line = "charge"
field = "soc"

[[string]]
name = "roof"
rated_w = 800
"""


def read(folder: Path, text: str) -> Van:
    """Return the van of a text."""
    path = folder / "van.toml"
    path.write_text(text)
    return read_van(path)


def spec_of(folder: Path, text: str = SOUND) -> PipelineSpec:
    """Return what the pipeline needs of a van file."""
    return read(folder, text).spec


def faults_of(folder: Path, text: str) -> list[str]:
    """Return what is wrong with a van file, one line a fault."""
    try:
        read(folder, text)
    except ConfigError as err:
        return [str(fault) for fault in err.faults]
    return []


def test_lines_become_forms_of_their_port_in_file_order(tmp_path: Path) -> None:
    assert spec_of(tmp_path).lines == {
        "meter": (
            LineForm(
                name="main",
                begins="M,",
                separator=",",
                checksum=Checksum.XOR,
                columns=("kind", "volts", "amps"),
                fields=("volts", "amps"),
            ),
            LineForm(
                name="charge",
                begins="C,",
                separator=",",
                checksum=Checksum.NONE,
                columns=("kind", "soc"),
                fields=("soc",),
            ),
        ),
        "roof": (LineForm("sun", "", "\t", Checksum.NONE, None, ("W",)),),
    }


def test_a_line_says_how_it_is_summed_and_how_pairs_are_written(
    tmp_path: Path,
) -> None:
    more = 'checksum = "crc-16-ccitt"\nchecksum_mark = ";"\nchecksum_skips = 1\n'
    text = SOUND.replace('separator = "\\t"', more + 'equals = ":"')
    (form,) = spec_of(tmp_path, text).lines["roof"]
    assert form == LineForm(
        "sun", "", ",", Checksum.CRC_16_CCITT, None, ("W",), ":", ";", 1
    )


def test_feeds_are_tied_to_the_fields_of_their_line(tmp_path: Path) -> None:
    feeds = spec_of(tmp_path).line_feeds
    volts, amps = feeds["meter", "main"]
    assert (volts.channel.name, volts.slot, volts.scale) == (
        "meter.voltage_v",
        0,
        0.001,
    )
    assert (amps.channel.name, amps.slot, amps.scale) == ("meter.current_a", 1, -1.0)
    assert amps.rule.max_gap_us == 30_000_000
    assert [feed.channel.name for feed in feeds["roof", "sun"]] == ["sun.roof.power_w"]


def test_a_line_that_feeds_nothing_is_no_fault(tmp_path: Path) -> None:
    text = SOUND + '[[line]]\nname = "hello"\nport = "meter"\nbegins = "#"\n'
    *_, hello = spec_of(tmp_path, text).lines["meter"]
    assert isinstance(hello, LineForm)
    assert hello.fields == ()


def test_two_feeds_may_stand_on_one_field(tmp_path: Path) -> None:
    text = SOUND + (
        '[[feed]]\nchannel = "pack.voltage_v"\nport = "meter"\nline = "main"\n'
        'field = "volts"\n'
    )
    form = spec_of(tmp_path, text).lines["meter"][0]
    assert isinstance(form, LineForm)
    assert form.fields == ("volts", "amps", "volts")


@pytest.mark.parametrize(("old", "new", "told"), [
    # an unknown port, line or field
    ('name = "sun"\nport = "roof"', 'name = "sun"\nport = "attic"',
     "[[line]] 3 port: found 'attic'. Known are meter, roof."),
    ('name = "sun"\nport = "roof"', 'name = "sun"\nport = "rooff"',
     "[[line]] 3 port: found 'rooff'. The nearest known is roof."),
    ('line = "sun"', 'line = "son"',
     "[[feed]] 3 line: found 'son'. Describe the line as [[line]] of this port. "
     "The nearest known is sun."),
    ('line = "sun"', 'line = "main"', "[[feed]] 3 line: found 'main'."),
    ('field = "volts"', 'field = "vots"',
     "[[feed]] 1 field: found 'vots'. The nearest known is volts."),
    ('field = "volts"', 'field = "x"',
     "[[feed]] 1 field: found 'x'. Known are amps, kind, volts."),
    # more than one kind of source, or half of one
    ('field = "volts"', 'field = "volts"\ntable = "t"',
     "[[feed]] 1: found more than one kind of source. Give bus, message and signal, or "
     "table and column, or port, line and field."),
    ('field = "volts"', 'field = "volts"\nbus = "drive"', "more than one kind"),
    ('field = "volts"\n', "", "[[feed]] 1: found no whole source. Give bus, message"),
    ('line = "main"\nfield = "volts"', 'field = "volts"', "no whole source"),
    ('port = "meter"\nline = "main"\nfield = "volts"', "", "no whole source"),
    # what a line may look like
    ('checksum = "xor"', 'checksum = "crc"', 'one of "none", "xor"'),
    ('separator = "\\t"', 'separator = ""', "what stands between two fields"),
    ('columns = ["kind", "soc"]', "columns = []", "the names of its fields"),
    ('columns = ["kind", "soc"]', 'columns = ["kind", ""]', "the names of its fields"),
    ('name = "charge"', 'name = "main"', "Give each its own name."),
    ('name = "charge"', 'name = "Charge"', "a name of lower-case letters"),
    ('name = "roof"\ndevice', 'name = "meter"\ndevice', "Give each its own name."),
    ("baud_rate = 19200", "baud_rate = 10", "the speed in baud"),
])  # fmt: skip
def test_a_fault_names_place_value_and_remedy(
    old: str, new: str, told: str, tmp_path: Path
) -> None:
    assert old in SOUND
    found = faults_of(tmp_path, SOUND.replace(old, new, 1))
    assert any(told in fault for fault in found), found
    assert all(fault.startswith("van.toml ") for fault in found)


@pytest.mark.parametrize(("old", "new"), [
    ('line = "sun"', 'line = "son"'),
    ('field = "volts"', 'field = "vots"'),
    ('field = "volts"\n', ""),
    ('checksum = "xor"', 'checksum = "crc"'),
    ('name = "main"\nport', 'nam = "main"\nport'),  # the feeds that name it are sound
    ('name = "main"\nport', 'name = 5\nport'),
    ('name = "roof"\ndevice', "device"),             # its line is sound
])  # fmt: skip
def test_one_slip_is_one_fault(old: str, new: str, tmp_path: Path) -> None:
    assert old in SOUND
    found = faults_of(tmp_path, SOUND.replace(old, new, 1))
    assert len(found) == 1, found


AWNINGS = SOUND.replace("rated_w = 800", 'rated_w = 800\nawning = "right"') + (
    '[[string]]\nname = "side"\nrated_w = 400\nawning = "left"\n'
    '[[string]]\nname = "tail"\nrated_w = 400\nawning = "left"\n'
)


def test_awnings_are_told_by_hand_where_no_box_does(tmp_path: Path) -> None:
    assert spec_of(tmp_path, AWNINGS).told == (
        "awning.left.extended",
        "awning.right.extended",
    )
    assert spec_of(tmp_path).told == ()


def test_an_awning_that_a_box_reports_is_not_told_by_hand(tmp_path: Path) -> None:
    text = AWNINGS + (
        '[[feed]]\nchannel = "awning.left.extended"\nport = "roof"\nline = "sun"\n'
        'field = "A"\n'
    )
    assert spec_of(tmp_path, text).told == ("awning.right.extended",)


def test_a_line_that_an_earlier_one_takes_is_told(tmp_path: Path) -> None:
    text = SOUND + '[[line]]\nname = "more"\nport = "roof"\nbegins = "#"\n'
    (fault,) = faults_of(tmp_path, text)
    assert "[[line]] 4 begins" in fault
    assert "The line sun takes all of these" in fault


def test_two_fields_of_one_name_are_told(tmp_path: Path) -> None:
    text = SOUND.replace('["kind", "soc"]', '["soc", "soc"]')
    (fault,) = faults_of(tmp_path, text)
    assert "[[line]] 2 columns" in fault


def test_a_misspelt_port_of_a_feed_is_told_as_a_port(tmp_path: Path) -> None:
    text = SOUND.replace('port = "roof"\nline = "sun"', 'port = "rofo"\nline = "sun"')
    (fault,) = faults_of(tmp_path, text)
    assert "port: found 'rofo'. The nearest known is roof." in fault
