"""The seconds of a run come out of the log just as the pipeline gave them."""

from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given
from hypothesis import strategies as st

from logger.core.tick import Gap, GapLimit, Tick
from logger.decode.frames import Item
from logger.store.reader import Log
from logger.store.rows import Batch
from logger.store.whole import whole_ticks
from logger.store.writer import RunEnd, RunStart, Writer
from tests.builders import LAW, orderly, run
from tests.pipeline.boxes import counted, line, line_spec
from tests.pipeline.drives import SPECS, drives, muddled_drives

START = RunStart(
    recording=None,
    recording_sha256=None,
    start_us=1_700_000_000_000_000,
    is_start_sure=True,
    zero_stamp_us=0,
    program="ampledger test",
    van_text="[van]\nname = 'Test'\n",
    descriptions={},
)


def stored(path: Path, ticks: list[Tick]) -> int:
    """Store the seconds of a run; return its number."""
    with Writer(path) as writer:
        number = writer.begin_run(START)
        writer.store(number, Batch(ticks))
        writer.end_run(number, RunEnd(0))
    return number


@LAW
@given(st.one_of(drives(), muddled_drives()), st.sampled_from(sorted(SPECS)))
def test_every_second_comes_back_with_its_own_gaps(items: list[Item], van: str) -> None:
    outputs = run(SPECS[van], items).outputs
    ticks = [each for each in outputs if isinstance(each, Tick)]
    with TemporaryDirectory() as folder:
        path = Path(folder) / "van.db"
        number = stored(path, ticks)
        with Log(path) as log:
            read = list(whole_ticks(log, number))
    assert list(map(orderly, read)) == list(map(orderly, ticks))


def test_a_sample_that_came_late_ends_its_gap_in_the_second_that_booked_it(
    tmp_path: Path,
) -> None:
    # The line of 9.9 s comes after that of 10.2 s, when second 9 is over.
    spec = counted(line_spec("pack.current_a", "pack.voltage_v"))
    items = [line(0, "-36,"), line(9.5, ",400"), line(10.2, ",400"), line(9.9, "-36,")]
    outputs = run(spec, items).outputs
    number = stored(tmp_path / "van.db", [t for t in outputs if isinstance(t, Tick)])
    with Log(tmp_path / "van.db") as log:
        (late,) = whole_ticks(log, number, 10, 10)
        assert log.gap_limits(number)[0] == GapLimit("pack.current_a", 0, 5_000_000)
    assert late.gaps == (Gap("pack.current_a", 0, 9_900_000),)
