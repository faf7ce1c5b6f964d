"""The made-up year is what it says: sixty channels, real folds, days that repeat."""

from pathlib import Path

from logger.quantities import find_channel
from logger.store.reader import Log
from tests.year.making import DAY_US, FIRST_DAY_US, Plan, make
from tests.year.van import BOXES, FEW_BOXES

SHORT = Plan(FEW_BOXES, drive_s=1000, charge_s=1000, prototypes=2)


def test_the_made_up_van_has_sixty_channels_of_the_list() -> None:
    plan = Plan(BOXES, drive_s=20, charge_s=20)
    names = {name for second in plan.seconds(0) for name in second.tick.cells}
    assert len(names) == 60
    assert all(find_channel(name) for name in names)


def test_a_day_is_the_same_whenever_it_is_made() -> None:
    plan = Plan(FEW_BOXES, drive_s=20, charge_s=20)
    assert list(plan.seconds(3)) == list(plan.seconds(3))
    assert list(plan.seconds(3)) != list(plan.seconds(4))


def test_a_copied_day_is_its_prototype_on_another_date(tmp_path: Path) -> None:
    make(tmp_path / "van.db", 5, SHORT)
    with Log(tmp_path / "van.db") as log:
        runs = log.runs()
        assert [run.start_us for run in runs] == [
            FIRST_DAY_US + number * DAY_US for number in range(5)
        ]
        assert len({run.uid for run in runs}) == 5
        assert list(log.ticks(runs[3].id)) == list(log.ticks(runs[1].id)) != []
        for read in (log.minutes, log.quarters):
            found = read(runs[3].id, "pack.power_w")
            assert found == read(runs[1].id, "pack.power_w") != []
        assert log.trips(runs[4].id) == log.trips(runs[0].id) != []
