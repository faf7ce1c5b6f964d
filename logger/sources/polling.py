"""From the van file to the ports on which devices are asked."""

from collections.abc import Iterator, Mapping, Sequence

from logger.decode.modbus import RegisterForm
from logger.decode.sunspec import SunSpecForm
from logger.decode.text_lines import Form
from logger.sources.inbox import Inbox
from logger.sources.modbus_port import LineSettings, ModbusSource, PolledDevice
from logger.sources.turns import US_PER_S
from logger.van.settings import PortSection, Settings


def polled_sources(
    settings: Settings, inbox: Inbox, lines: Mapping[str, Sequence[Form]]
) -> Iterator[ModbusSource]:
    """Yield the source of each port that the van file says is polled.

    Args:
        settings: The van file.
        inbox: Where the answers go.
        lines: What the answers of each port are read by, by port name.
    """
    for port in settings.ports:
        devices = _devices(settings, port, lines.get(port.name, ()))
        # A port is written to where the file says so in so many words, and only there.
        if port.polled and port.speaks == "modbus" and devices:
            line = LineSettings(
                port.baud_rate, port.parity, port.stop_bits, port.answer_s
            )
            yield ModbusSource(port.name, port.device, line, devices, inbox)


def _devices(
    settings: Settings, port: PortSection, forms: Sequence[Form]
) -> list[PolledDevice]:
    """Return the devices of a port that feed something."""
    asked = {
        form.name: form
        for form in forms
        if isinstance(form, RegisterForm | SunSpecForm) and form.fields
    }
    return [
        PolledDevice(
            name=each.name,
            address=each.address,
            period_us=round(each.period_s * US_PER_S),
            talk=asked[each.name].talk(),
        )
        for each in settings.devices
        if each.port == port.name and each.name in asked
    ]
