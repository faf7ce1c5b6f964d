"""Recorded drives of a passenger car against figures worked out by others.

Source of the recordings: Steinstraeter, Buberger, Trifonov, "Battery and Heating Data
in Real Driving Cycles", 2020, DOI 10.21227/6jr9-5235. The figures were computed from
the recordings with numpy, apart from this program: trapezoid, intervals up to 5 s,
energy out and in clipped sample by sample, charge over 61.74 Ah.
"""

from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.running import DATA, ampledger, exported

EV = DATA / "ev"


@dataclass(frozen=True, slots=True)
class Expected:
    """One drive's figures: km, kWh and Ah as found by numpy, points of charge."""

    km: float
    out_kwh: float
    in_kwh: float
    net_kwh: float
    out_of_pack_ah: float
    change_pct: float
    duration_s: float


DRIVES = {
    "a03": Expected(12.820846, 2.409251, 0.454845, 1.954406, 5.200250, -8.4228, 670.5),
    "a04": Expected(10.727491, 2.160442, 0.260531, 1.899911, 5.161216, -8.3596, 412.3),
    "a05": Expected(12.393621, 2.180047, 0.675880, 1.504167, 4.021570, -6.5137, 1366.6),
    "a07": Expected(
        44.335979, 7.329245, 0.778974, 6.550272, 17.985796, -29.1315, 2093.2
    ),
    "b13": Expected(2.782320, 0.625107, 0.178876, 0.446232, 1.209106, -1.9100, 354.4),
}


@pytest.mark.parametrize("drive", DRIVES)
def test_a_strangers_drive_comes_out_right(drive: str, tmp_path: Path) -> None:
    expected, log = DRIVES[drive], tmp_path / "van.db"
    file = EV / f"ev-trip-{drive}.csv.gz"
    ran = ampledger("replay", "--van", EV / "van.toml", "--into", log, file)
    assert ran.code == 0, ran.err
    (trip,) = exported(log, "trips")
    found = {name: float(text) for name, text in trip.items() if text}
    assert found["distance_m"] == pytest.approx(1000 * expected.km, rel=1e-3)
    assert found["energy_out_wh"] == pytest.approx(1000 * expected.out_kwh, rel=3e-3)
    assert found["energy_in_wh"] == pytest.approx(1000 * expected.in_kwh, rel=3e-3)
    assert found["energy_net_wh"] == pytest.approx(1000 * expected.net_kwh, rel=3e-3)
    assert found["charge_net_ah"] == pytest.approx(-expected.out_of_pack_ah, rel=3e-3)
    assert found["soc_counted_change_pct"] == pytest.approx(
        expected.change_pct, abs=0.1
    )
    assert found["duration_s"] == pytest.approx(expected.duration_s)
    assert found["skipped_s"] == 0.0
    # Nothing but the pack fed the drive, so consumption is the pack's own.
    wh_per_km = found["energy_net_wh"] / (found["distance_m"] / 1000)
    assert found["wh_per_km"] == pytest.approx(wh_per_km, rel=1e-3)
    assert found["wh_per_mi"] == pytest.approx(1.609344 * wh_per_km, rel=1e-3)
    assert trip["start_utc"] == ""  # the recording has no date and none was given


# The publisher's start stamps and the sums of the three drives (same source).
MORNING = {
    "a03": "2019-06-28T10:02:15",
    "a04": "2019-06-28T10:13:30",
    "a05": "2019-06-28T10:20:26",
}


@pytest.mark.parametrize("order", [("a03", "a04", "a05"), ("a05", "a03", "a04")])
def test_a_morning_of_three_drives_adds_up_in_any_order(
    order: tuple[str, ...], tmp_path: Path
) -> None:
    log = tmp_path / "van.db"
    starts = [word for drive in order for word in ("--start", MORNING[drive])]
    files = [EV / f"ev-trip-{drive}.csv.gz" for drive in order]
    ran = ampledger("replay", "--van", EV / "van.toml", "--into", log, *starts, *files)
    assert ran.code == 0, ran.err
    trips = exported(log, "trips")
    assert [trip["start_utc"] for trip in trips] == [
        "2019-06-28T10:02:15.000Z",
        "2019-06-28T10:13:30.000Z",
        "2019-06-28T10:20:26.000Z",
    ]

    def total(column: str) -> float:
        return sum(float(trip[column]) for trip in trips)

    assert total("distance_m") == pytest.approx(35_942, rel=1e-3)
    assert total("energy_net_wh") == pytest.approx(5358, rel=3e-3)
    assert total("charge_net_ah") == pytest.approx(-14.383, rel=3e-3)
    # The record's own state of charge: 83.5 % at the start, 60.2 % at the end.
    assert float(trips[0]["soc_start_pct"]) == pytest.approx(83.5, abs=0.1)
    assert float(trips[-1]["soc_end_pct"]) == pytest.approx(60.2, abs=0.1)


def test_the_order_of_files_changes_no_row(tmp_path: Path) -> None:
    exports = []
    for number, order in enumerate((("a03", "a04"), ("a04", "a03"))):
        log = tmp_path / f"{number}.db"
        starts = [word for drive in order for word in ("--start", MORNING[drive])]
        files = [EV / f"ev-trip-{drive}.csv.gz" for drive in order]
        ampledger("replay", "--van", EV / "van.toml", "--into", log, *starts, *files)
        exports.append([exported(log, what) for what in ("trips", "soc", "signals")])
    assert exports[0] == exports[1]
