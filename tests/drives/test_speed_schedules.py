"""Dynamometer speed schedules: the way is the published way.

Source of the files: Python package fastsim 2.1.5, resources/cycles (Apache-2.0; the US
schedules are federal test schedules, 40 CFR 86 appendix I).
"""

from pathlib import Path

import pytest

from tests.running import DATA, ampledger, exported

CYCLES = DATA / "cycles"


# Metres by trapezoid at 1 Hz with fastsim 3.1.0 (UDDS, HWFET), fastsim's public
# repository (US06) and wltp 0.1.2a0 (WLTC class 3b); officially 7.45 mi, 10.26 mi,
# 8.01 mi and 23.25 km.
@pytest.mark.parametrize(
    ("cycle", "way_m", "official_m"),
    [
        ("udds", 11990.43, 7.45 * 1609.344),
        ("hwfet", 16506.82, 10.26 * 1609.344),
        ("us06", 12887.58, 8.01 * 1609.344),
        ("wltc-3b", 23266.28, 23250.0),
    ],
)
def test_a_schedule_has_its_published_way(
    cycle: str, way_m: float, official_m: float, tmp_path: Path
) -> None:
    log = tmp_path / "van.db"
    file = CYCLES / f"{cycle}.csv.gz"
    ran = ampledger("replay", "--van", CYCLES / "van.toml", "--into", log, file)
    assert ran.code == 0, ran.err
    (trip,) = exported(log, "trips")
    assert float(trip["distance_m"]) == pytest.approx(way_m, rel=5e-4)
    # Official figures are rounded to a hundredth of a mile or 50 m.
    assert float(trip["distance_m"]) == pytest.approx(official_m, rel=1e-3)
    # No battery in the recording: what was not measured is empty, not 0.
    assert trip["energy_net_wh"] == trip["charge_net_ah"] == trip["wh_per_km"] == ""
