"""The ledger by days: sums of a day, what is left over, and what has no date."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.daybook import NOT_ACCOUNTED, DayBook, DayEntry, not_accounted
from logger.core.ledger import Total
from tests.builders import LAW, us

MONDAY, TUESDAY = date(2026, 6, 22), date(2026, 6, 23)


def test_power_is_told_in_wh_charge_in_ah_and_way_in_metres() -> None:
    book = DayBook()
    book.add(MONDAY, "sun.roof.power_w", Total(3600.0 * 250, us(3600)))
    book.add(MONDAY, "pack.current_a", Total(-3600.0 * 12, us(3600)))
    book.add(MONDAY, "road.speed_mps", Total(1500.0, us(100)))
    assert book.take_all() == [
        DayEntry(MONDAY, "pack.current_a", "Ah", -12.0, 3600.0),
        DayEntry(MONDAY, "road.speed_mps", "m", 1500.0, 100.0),
        DayEntry(MONDAY, "sun.roof.power_w", "Wh", 250.0, 3600.0),
    ]
    assert book.take_all() == []


def test_a_day_that_is_over_is_given_out_and_forgotten() -> None:
    book = DayBook()
    for day in (TUESDAY, None, MONDAY):
        book.add(day, "house.power_w", Total(3600.0, us(10)))
    assert [each.day for each in book.take_before(TUESDAY)] == [MONDAY]
    assert book.take_before(TUESDAY) == []
    # What has no date comes last.
    assert [each.day for each in book.take_all()] == [TUESDAY, None]


def test_what_came_in_and_went_nowhere_is_not_accounted_for() -> None:
    # In: sun 500, charger 2000, out of the pack 100. Out: motor 300, DC-DC 150, house
    # 50, into the pack 1900. 2600 - 2400 = 200 Wh. What leaves the DC-DC counts no
    # second time, and what the charger took from the wall is not on the DC side.
    amounts = {
        "sun.roof.power_w": 500.0,
        "charger.a.dc_power_w": 2000.0,
        "charger.a.ac_power_w": 2200.0,
        "pack.discharging_power_w": 100.0,
        "pack.charging_power_w": 1900.0,
        "motor.dc_power_w": 300.0,
        "dcdc.input_power_w": 150.0,
        "dcdc.output_power_w": 140.0,
        "house.power_w": 50.0,
        "load.fridge.power_w": 40.0,
    }
    book = DayBook()
    for account, amount_wh in amounts.items():
        book.add(MONDAY, account, Total(amount_wh * 3600, us(7200)))
    rest = book.take_all()[-1]
    assert (rest.day, rest.account, rest.unit) == (MONDAY, NOT_ACCOUNTED, "Wh")
    assert rest.amount == pytest.approx(200.0)
    assert rest.covered_s == 7200.0


@pytest.mark.parametrize(
    "heard",
    [
        ("sun.roof.power_w", "motor.dc_power_w"),  # no pack: nothing to hold against
        ("pack.charging_power_w", "sun.roof.power_w"),
        ("pack.charging_power_w", "pack.discharging_power_w"),  # nothing else
        ("pack.charging_power_w", "pack.discharging_power_w", "no.such_w"),
        (),
    ],
)
def test_nothing_is_left_over_where_there_is_no_balance(heard: tuple[str, ...]) -> None:
    assert not_accounted({name: Total(1.0, 1) for name in heard}) is None


@LAW
@given(
    st.lists(
        st.tuples(
            st.sampled_from([MONDAY, TUESDAY, None]),
            st.integers(-(10**6), 10**6),
            st.integers(0, 10**6),
        )
    )
)
def test_days_add_up_to_the_whole(
    stretches: list[tuple[date | None, int, int]],
) -> None:
    book = DayBook()
    for day, integral, covered_us in stretches:
        book.add(day, "road.speed_mps", Total(float(integral), covered_us))
    entries = [*book.take_before(TUESDAY), *book.take_all()]
    assert sum(each.amount for each in entries) == sum(x for _, x, _ in stretches)
    covered_s = sum(us for _, _, us in stretches) / 1e6
    assert sum(each.covered_s for each in entries) == pytest.approx(covered_s)
