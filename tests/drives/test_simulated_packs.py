"""Days of a simulated pack: the bare count is the trapezoid of the measured current.

Source of the files: tests/data/README.md (made with PyBaMM, CC0 1.0). Rows are about
1 s apart while driving and 5 s with jitter while parked, with gaps of up to 10 minutes.
The expected amp-hours are numpy's.
"""

import gzip
from pathlib import Path

import numpy as np
import pytest

from tests.running import DATA, ampledger, exported

SOC = DATA / "soc"
NAMEPLATE_AH = 217.0
LONGEST_S = 15.0  # three times the declared 5 s


def trapezoid_ah(file: Path) -> tuple[float, float]:
    """Return the amp-hours of a file and the seconds that were too long to count."""
    with gzip.open(file, "rt") as text:
        table = np.genfromtxt(text, delimiter=",", names=True)
    dt_s, amps = np.diff(table["t_s"]), table["i_pack"]
    mean_a = (amps[1:] + amps[:-1]) / 2
    counts = (dt_s > 0) & (dt_s <= LONGEST_S)
    return float((mean_a * dt_s)[counts].sum()) / 3600, float(dt_s[~counts].sum())


@pytest.mark.parametrize(
    "run", ["dev1_nmc_commute_3d", "dev3_lfp_mixed_4d", "dev5_nca_parked_solar_4d"]
)
def test_the_bare_count_is_the_trapezoid(run: str, tmp_path: Path) -> None:
    log = tmp_path / "van.db"
    file = SOC / f"{run}.measured.csv.gz"
    ran = ampledger("replay", "--van", SOC / "van.toml", "--into", log, file)
    assert ran.code == 0, ran.err
    (trip,) = exported(log, "trips")
    charge_ah, skipped_s = trapezoid_ah(file)
    assert float(trip["charge_net_ah"]) == pytest.approx(charge_ah, abs=0.1)
    assert float(trip["skipped_s"]) == pytest.approx(skipped_s, abs=0.01)
    # An unmeasured nameplate begins with 95 % of it.
    counted_ah = float(trip["soc_counted_change_pct"]) / 100 * 0.95 * NAMEPLATE_AH
    assert counted_ah == pytest.approx(charge_ah, abs=0.1)
    last = exported(log, "soc")[-1]
    low, high = float(last["soc_low_pct"]), float(last["soc_high_pct"])
    assert 0 <= low <= float(last["soc_pct"]) <= high <= 100


def test_a_slower_beat_is_learned_where_none_is_declared(tmp_path: Path) -> None:
    van = tmp_path / "van.toml"
    text = (SOC / "van.toml").read_text().replace("period_s = 5.0", "")
    van.write_text(text)
    log = tmp_path / "van.db"
    file = SOC / "dev5_nca_parked_solar_4d.measured.csv.gz"
    assert ampledger("replay", "--van", van, "--into", log, file).code == 0
    (trip,) = exported(log, "trips")
    charge_ah, skipped_s = trapezoid_ah(file)
    assert float(trip["charge_net_ah"]) == pytest.approx(charge_ah, abs=0.1)
    assert float(trip["skipped_s"]) == pytest.approx(skipped_s, abs=60)
