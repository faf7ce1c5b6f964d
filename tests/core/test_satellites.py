"""A receiver's date is heard only with a good fix, and only while it is fresh."""

import pytest

from logger.core.health import Health, Reading
from logger.core.satellites import SatelliteDate, satellite_date

GOOD = {"gps.time_s": 1_795_593_600.25, "gps.fix": 1.0, "gps.satellites_count": 4.0}


def reading(
    channel: str, value: float | None, health: Health = Health.FRESH
) -> Reading:
    """Return a reading of 7 s after the run's zero."""
    return Reading(channel, value, None, 7_000_000, 0, 1_000_000, health, "port gps")


def heard(**changes: float | None) -> SatelliteDate | None:
    """Return what a receiver tells, `gps__fix` for `gps.fix`."""
    values = GOOD | {name.replace("__", "."): each for name, each in changes.items()}
    return satellite_date([reading(name, value) for name, value in values.items()])


def test_a_good_fix_tells_the_date_of_its_sample() -> None:
    assert heard() == SatelliteDate(7_000_000, 1_795_593_600_250_000)
    assert heard(gps__fix=2.0, gps__satellites_count=12.0) == heard()


@pytest.mark.parametrize(
    "changes",
    [{"gps__fix": 0.0}, {"gps__fix": None}, {"gps__satellites_count": 3.0},
     {"gps__satellites_count": None}, {"gps__time_s": None}],
)  # fmt: skip
def test_without_a_good_fix_there_is_no_date(changes: dict[str, float | None]) -> None:
    assert heard(**changes) is None


@pytest.mark.parametrize("name", list(GOOD))
@pytest.mark.parametrize("health", [each for each in Health if each != Health.FRESH])
def test_what_is_not_fresh_is_not_heard(name: str, health: Health) -> None:
    readings = [
        reading(each, value, health if each == name else Health.FRESH)
        for each, value in GOOD.items()
    ]
    assert satellite_date(readings) is None


@pytest.mark.parametrize("name", list(GOOD))
def test_a_van_without_such_a_channel_has_no_satellite_date(name: str) -> None:
    readings = [reading(each, value) for each, value in GOOD.items() if each != name]
    assert satellite_date(readings) is None
