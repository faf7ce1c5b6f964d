"""What is worked out is no better than what it is worked out from."""

from dataclasses import replace

from logger.core.health import Health, Reading
from logger.core.soc import Count, PackSpec
from logger.pipeline.chain import Pipeline
from tests.builders import rows, table_spec, us

SPEC = replace(
    table_spec("pack.current_a", "pack.voltage_v", "motor.speed_rpm"),
    pack=PackSpec(100.0, 0.05),
    start=Count(counted_pct=50.0),
)


def after(current_a: float, wobble_a: float) -> dict[str, Reading]:
    """Return the readings after 200 s of a motor that speeds up and slows down."""
    pipeline = Pipeline(SPEC)
    pipeline.feed(
        rows(
            *(
                (
                    float(s),
                    current_a + wobble_a * (s % 2),
                    150.0 + s % 3,
                    900.0 * (s % 7),
                )
                for s in range(200)
            )
        )
    )
    return {each.channel: each for each in pipeline.readings(us(199.5))}


def test_a_frozen_current_makes_power_and_charge_frozen() -> None:
    now = after(-20.0, wobble_a=0.0)
    names = (
        "pack.current_a",
        "pack.power_w",
        "pack.discharging_power_w",
        "pack.soc_pct",
    )
    assert {name: now[name].health for name in names} == dict.fromkeys(
        names, Health.FROZEN
    )
    assert now["pack.voltage_v"].health is Health.FRESH


def test_a_current_that_moves_makes_them_fresh() -> None:
    now = after(-20.0, wobble_a=0.5)
    assert {each.health for each in now.values()} == {Health.FRESH}
