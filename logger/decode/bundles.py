"""The bundled tables: open families of messages that need no description of one's own.

What each table is called in a van file, how its frames are found and put together, and
what its sources leave open. The layouts are DBC files in `tables/`; nothing here opens
them.
"""

from dataclasses import dataclass

from logger.decode.assembly import LongGroups
from logger.decode.descriptions import Match
from logger.decode.fault_codes import DM1_GROUP, FaultFamily
from logger.decode.layout import Absence

WHOLE = LongGroups()
"""Every message fits a frame."""


@dataclass(frozen=True, slots=True)
class Bundle:
    """One bundled table.

    Attributes:
        name: What the van file calls it; its file is `tables/<name>.dbc`.
        title: What it describes, in a few words.
        match: How frames find their message.
        absence: Which raw values are none.
        long_groups: The groups that come in parts.
        faults: Whose fault codes are listened for on a bus with this table.
        without_sign: Message and signal of each value whose sign no source gives.
    """

    name: str
    title: str
    match: Match
    absence: Absence
    long_groups: LongGroups = WHOLE
    faults: frozenset[FaultFamily] = frozenset()
    without_sign: frozenset[tuple[str, str]] = frozenset()

    @property
    def file_name(self) -> str:
        """The name of its file in the folder of tables."""
        return f"{self.name}.dbc"


_ALL = (
    Bundle(
        name="j1939",
        title="SAE J1939: engine and wheel speed, lamps and fault codes (DM1)",
        match=Match.GROUP,
        absence=Absence.J1939,
        long_groups=LongGroups(transport=frozenset({DM1_GROUP})),
        faults=frozenset({FaultFamily.J1939}),
    ),
    Bundle(
        name="rv-c",
        title="RV-C: DC sources, chargers, solar controllers, disconnects, inverters, "
        "date and time, fault codes (DM_RV)",
        match=Match.GROUP,
        # All ones is no data by its table 5.3, the code below it from memory.
        absence=Absence.HIGHEST,
        faults=frozenset({FaultFamily.RV_C}),
        without_sign=frozenset(
            {
                ("DC_SOURCE_STATUS_1", "current"),
                ("DC_SOURCE_STATUS_11", "power"),
                ("DC_DISCONNECT_STATUS", "current"),
                ("INVERTER_DC_STATUS", "current"),
            }
        ),
    ),
    Bundle(
        name="canopen",
        title="CANopen: heartbeat and emergency of every node",
        match=Match.NODE,
        absence=Absence.DESCRIBED,
        faults=frozenset({FaultFamily.CANOPEN}),
    ),
    Bundle(
        name="fast-packet",
        title="250 kbit/s networks with fast packets: battery, charger, position, time",
        match=Match.GROUP,
        absence=Absence.HIGHEST,
        # 127506 battery, 127507 charger, 129029 position: by an open description.
        long_groups=LongGroups(fast=frozenset({127506, 127507, 129029})),
    ),
    Bundle(
        name="charger-pair",
        title="the pair of messages that many onboard chargers share",
        match=Match.IDENTIFIER,
        absence=Absence.DESCRIBED,
    ),
)
BUNDLES = {bundle.name: bundle for bundle in _ALL}
"""Every bundled table by its name in a van file."""
