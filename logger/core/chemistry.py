"""Open-circuit voltage against state of charge, per cell, as published.

Knows tables only. Source of every column: parameter sets shipped with PyBaMM
26.10.1.1, named by paper (electrode stoichiometries of the set's voltage limits,
U_p - U_n at 25 degC): Chen et al., J. Electrochem. Soc. 167 (2020) 080534; Prada et
al., JES 160 (2013) A616; Mohtat et al., JES 167 (2020) 110561; Kim et al., JES 158
(2011) A955; Ecker et al., JES 162 (2015) A1836; Marquis et al., JES 166 (2019) A3693.
A salvaged cell departs from them by some 4 to 29 mV.
"""

from bisect import bisect_left
from collections.abc import Sequence

Curve = tuple[tuple[float, float], ...]
"""Pairs of state of charge, %, and cell voltage, V, both rising, from 0 to 100 %."""

CHEMISTRIES = ("nmc811", "lfp", "nmc532", "nca", "nco", "lco")
"""Cathodes in the order of the columns below: Chen, Prada, Mohtat, Kim, Ecker,
Marquis."""

_TABLE = """
  0 2.5000 2.0000 2.8000 2.7000 2.5000 3.1050
  5 3.1094 2.7853 3.4620 3.1939 3.2938 3.6176
 10 3.2959 2.9781 3.5107 3.2471 3.4586 3.6818
 15 3.4339 3.1080 3.5395 3.3099 3.5277 3.6908
 20 3.4852 3.1685 3.5847 3.3721 3.5870 3.6921
 25 3.5286 3.1857 3.6202 3.4331 3.6565 3.6938
 30 3.5814 3.2058 3.6389 3.4918 3.7094 3.6971
 35 3.6290 3.2324 3.6538 3.5472 3.7430 3.7022
 40 3.6670 3.2525 3.6710 3.5978 3.7700 3.7153
 45 3.7054 3.2621 3.6914 3.6430 3.7805 3.7345
 50 3.7509 3.2660 3.7155 3.6846 3.7873 3.7450
 55 3.7983 3.2678 3.7446 3.7253 3.7979 3.7537
 60 3.8406 3.2688 3.7968 3.7678 3.8155 3.7648
 65 3.8896 3.2700 3.8399 3.8163 3.8417 3.7794
 70 3.9479 3.2740 3.8797 3.8742 3.8823 3.7985
 75 3.9943 3.2926 3.9232 3.9300 3.9400 3.8221
 80 4.0421 3.3097 3.9705 3.9803 3.9868 3.8490
 85 4.0809 3.3132 4.0216 4.0295 4.0304 3.8756
 90 4.0967 3.3142 4.0767 4.0803 4.0789 3.9040
 95 4.1236 3.3164 4.1360 4.1354 4.1353 4.0084
100 4.2000 3.6000 4.2000 4.2000 4.2000 4.1000
"""

_ROWS = tuple(
    tuple(float(cell) for cell in line.split()) for line in _TABLE.split("\n") if line
)

CURVES: dict[str, Curve] = {
    chemistry: tuple((row[0], row[column]) for row in _ROWS)
    for column, chemistry in enumerate(CHEMISTRIES, start=1)
}


def cell_voltage_v(curve: Sequence[tuple[float, float]], soc_pct: float) -> float:
    """Return the open-circuit voltage of a cell, V, straight between the rows.

    Args:
        curve: Rising pairs of %, V.
        soc_pct: State of charge, held within the ends of the curve, %.
    """
    levels = [level for level, _ in curve]
    upper = min(max(bisect_left(levels, soc_pct), 1), len(curve) - 1)
    (soc_a, volt_a), (soc_b, volt_b) = curve[upper - 1], curve[upper]
    share = min(1.0, max(0.0, (soc_pct - soc_a) / (soc_b - soc_a)))
    return volt_a + share * (volt_b - volt_a)
