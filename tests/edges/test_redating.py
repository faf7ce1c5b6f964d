"""Setting a run's date right is one row: no sum, no second and no other run changes."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.dating import Dated
from logger.core.soc import Count
from logger.decode.frames import Item, Line
from logger.pipeline.chain import Pipeline
from logger.store.carrying import carried_to_live_run
from logger.store.connect import connect_for_reading
from logger.store.dating import first_date
from logger.store.reader import Log, RunRow
from logger.store.rows import RUN_TABLES, Batch
from logger.store.writer import RunEnd, RunStart, Writer
from tests.builders import LAW, us
from tests.pipeline.boxes import counted, line, line_spec
from tests.running import ampledger

DAY_US = us(86_400)
GUESS_US = us(1_740_000_000)
TRUE_US = us(1_795_000_000)
LIVE = RunStart(
    recording=None,
    recording_sha256=None,
    start_us=GUESS_US,
    is_start_sure=False,
    zero_stamp_us=GUESS_US,
    program="ampledger test",
    van_text='[van]\nname = "Dotterel"\ntime_zone = "Europe/Lisbon"\n',
    descriptions={},
    boot="this start",
    zero_uptime_us=us(50),
)


def stored(path: Path, *starts: RunStart, seconds: int = 40) -> None:
    """Store runs in which 36 A flowed out, half a second a line."""
    spec = counted(line_spec("pack.current_a"))
    items: list[Item] = [line(0.5 * i, "-36") for i in range(2 * seconds)]
    with Writer(path) as writer:
        for start in starts:
            pipeline, run = Pipeline(spec), writer.begin_run(start)
            outputs = [*pipeline.feed(items), *pipeline.finish()]
            raw = [item for item in items if isinstance(item, Line)]
            writer.store(run, Batch(outputs, raw))
            writer.end_run(run, RunEnd(us(seconds)))


def rows(path: Path) -> dict[str, list[object]]:
    """Return every row of a log but the dates of the runs and the events."""
    tables = sorted({*RUN_TABLES, "channel", "van", "van_file"} - {"event"})
    with closing(connect_for_reading(path)) as connection:
        found = {
            table: connection.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608
            for table in tables
        }
        found["run"] = connection.execute(
            "SELECT id, recording, recording_sha256, zero_stamp_us, end_us, program,"
            " descriptions, damaged_lines, uid, boot, zero_uptime_us, van_file FROM run"
        ).fetchall()
    return found


def runs(path: Path) -> dict[int, RunRow]:
    """Return the runs by number."""
    with Log(path) as log:
        return {run.id: run for run in log.runs()}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "van.db"


DATES = st.tuples(
    st.integers(1, 3),
    st.integers(-(10**15), 8 * 10**15),
    st.sampled_from(["network", "satellites", "person"]),
    st.integers(0, 10**12),
)


@pytest.fixture(scope="module")
def long_ago(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path: Path = tmp_path_factory.mktemp("redated") / "van.db"
    later = replace(LIVE, zero_uptime_us=us(200))
    stored(path, LIVE, later, replace(LIVE, boot="another start"))
    return path


@settings(LAW, max_examples=40)
@given(dates=st.lists(DATES, min_size=1, max_size=5))
def test_no_date_changes_a_sum_or_a_second(
    long_ago: Path, dates: list[tuple[int, int, str, int]]
) -> None:
    before = rows(long_ago)
    with Log(long_ago) as log:
        sums = [(log.trips(run), log.totals(run)) for run in (1, 2, 3)]
    with Writer(long_ago) as writer:
        for run, start_us, dated_by, t_us in dates:
            writer.redate(run, start_us, dated_by, t_us)
    assert rows(long_ago) == before
    with Log(long_ago) as log:
        assert [(log.trips(run), log.totals(run)) for run in (1, 2, 3)] == sums
        told = [event for run in (1, 2, 3) for event in log.events(run)]
    assert all(event.t_us >= 0 for event in told)
    last_run, start_us, dated_by, _ = dates[-1]
    run_row = runs(long_ago)[last_run]
    assert (run_row.start_us, run_row.dated_by) == (start_us, dated_by)


def test_runs_of_the_same_start_of_the_computer_follow_by_its_uptime(
    path: Path,
) -> None:
    later = replace(LIVE, zero_uptime_us=us(1050), start_us=GUESS_US + DAY_US)
    stored(path, LIVE, later, replace(LIVE, boot="another start"))
    with Writer(path) as writer:
        writer.redate(2, TRUE_US, "satellites", us(9))
    found = runs(path)
    # By hand: run 1 began at an uptime of 50 s, run 2 at one of 1,050 s.
    assert found[1].start_us == TRUE_US - us(1000)
    assert (found[1].dated_by, found[1].is_start_sure) == ("satellites", True)
    assert (found[3].start_us, found[3].is_start_sure) == (GUESS_US, False)


@pytest.mark.parametrize(
    ("had", "follows"), [("person", True), ("network", False), ("satellites", False)]
)
def test_only_what_is_less_sure_follows(had: str, follows: bool, path: Path) -> None:
    first = replace(LIVE, is_start_sure=True, dated_by=had)
    stored(path, first, replace(LIVE, zero_uptime_us=us(150)))
    with Writer(path) as writer:
        writer.redate(2, TRUE_US, "network", 0)
    assert runs(path)[1].start_us == (TRUE_US - us(100) if follows else GUESS_US)


def test_a_date_that_is_set_twice_is_told_once(path: Path) -> None:
    stored(path, LIVE)
    with Writer(path) as writer:
        for _ in range(2):
            writer.redate(1, TRUE_US, "network", us(3))
    with Log(path) as log:
        told = [each.text for each in log.events(1)]
    # By hand: 1,795,000,000 s less 1,740,000,000 s.
    assert told == ["The date is confirmed by network, +55000000.0 s."]


@pytest.mark.parametrize(
    ("had", "is_wall_sure", "start_us", "by"),
    [
        ("network", False, GUESS_US + us(100), "network"),
        ("network", True, GUESS_US + us(100), "network"),
        ("satellites", True, GUESS_US + us(100), "satellites"),
        ("person", False, GUESS_US + us(100), "person"),
        ("person", True, TRUE_US, "network"),
        ("computer", False, TRUE_US, "computer"),
        ("recording", False, TRUE_US, "computer"),
    ],
)
def test_a_run_begins_with_what_its_start_of_the_computer_knows(
    had: str, is_wall_sure: bool, start_us: int, by: str, path: Path
) -> None:
    stored(path, replace(LIVE, is_start_sure=had != "computer", dated_by=had))
    known = runs(path).values()
    date = first_date(known, TRUE_US, is_wall_sure, "this start", us(150))
    assert (date.start_us, date.dated_by) == (start_us, by)
    alone = Dated(TRUE_US, "network" if is_wall_sure else "computer", 0)
    for boot, uptime_us in (("", us(150)), ("a new start", us(150)), (LIVE.boot, None)):
        assert first_date(known, TRUE_US, is_wall_sure, boot, uptime_us) == alone


def test_after_redating_a_run_takes_over_with_the_true_time_away(path: Path) -> None:
    start = replace(LIVE, boot="slept")
    stored(path, start)
    with Log(path) as log:
        # By the guess, the van would have stood for years.
        wrong = carried_to_live_run(log, TRUE_US + us(100))
    with Writer(path) as writer:
        writer.redate(1, TRUE_US, "network", us(3))
    with Log(path) as log:
        carried = carried_to_live_run(log, TRUE_US + us(100))
        (run,) = log.runs()
    assert isinstance(run.count, Count)
    assert carried is not None
    assert wrong is not None
    # A stored second holds the count to a millionth of a point.
    assert carried.counted_pct == pytest.approx(run.count.counted_pct, abs=1e-6)
    # By hand: it ended 40 s after its zero, and the next one began 100 s after it.
    assert carried.unseen_s == pytest.approx(run.count.unseen_s + 60.0)
    assert wrong.unseen_s > 50_000_000


def test_a_person_dates_a_run_of_an_earlier_start_in_the_van_s_own_time(
    path: Path,
) -> None:
    stored(path, LIVE, replace(LIVE, zero_uptime_us=us(3650)))
    ran = ampledger("date", path, "1", "2026-06-19 08:12")
    assert ran.code == 0, ran.err
    # Lisbon is an hour ahead of UTC in summer; run 2 began an hour later.
    assert ran.out.splitlines() == [
        "Run 1 began at 2026-06-19T07:12:00.000Z, was 2025-02-19T21:20:00.000Z.",
        "Run 2 began at 2026-06-19T08:12:00.000Z, was 2025-02-19T21:20:00.000Z.",
    ]
    assert {run.dated_by for run in runs(path).values()} == {"person"}


@pytest.mark.parametrize("by", ["network", "satellites", "recording"])
def test_a_confirmed_date_is_set_only_anyway(by: str, path: Path) -> None:
    stored(path, replace(LIVE, is_start_sure=True, dated_by=by))
    ran = ampledger("date", path, "1", "2026-06-19T07:12:00Z")
    assert ran.code == 1
    assert f"a date confirmed by {by}, 2025-02-19T21:20:00.000Z" in ran.err
    assert runs(path)[1].start_us == GUESS_US
    ran = ampledger("date", path, "1", "2026-06-19T07:12:00Z", "--anyway")
    assert ran.code == 0, ran.err
    assert runs(path)[1].dated_by == "person"


def test_a_logger_that_runs_is_not_disturbed(path: Path) -> None:
    stored(path, LIVE)
    with Writer(path):
        ran = ampledger("date", path, "1", "2026-06-19T07:12:00Z")
    assert ran.code == 1
    assert "another process that writes it" in ran.err
    assert runs(path)[1].start_us == GUESS_US


@pytest.mark.parametrize(
    ("words", "code"),
    [(("9", "2026-06-19"), 1), (("0", "2026-06-19"), 2), (("1", "last week"), 2),
     (("1", "1999-12-31T23:59:59Z"), 2), (("1", "2100-01-01T00:00:00Z"), 2)],
)  # fmt: skip
def test_a_wrong_call_changes_nothing(
    words: tuple[str, str], code: int, path: Path
) -> None:
    stored(path, LIVE)
    assert ampledger("date", path, *words).code == code
    assert runs(path)[1].start_us == GUESS_US


def test_no_log_is_made_where_there_is_none(path: Path) -> None:
    assert ampledger("date", path, "1", "2026-06-19").code == 2
    assert not path.exists()


def test_a_balance_is_stored_with_every_run_here(path: Path) -> None:
    # Otherwise the sums that are compared above would be empty.
    stored(path, LIVE)
    with Log(path) as log:
        totals = log.totals(1)
    # By hand: 36 A over 39.5 s.
    assert totals["pack.current_a"].integral == pytest.approx(-36 * 39.5)
