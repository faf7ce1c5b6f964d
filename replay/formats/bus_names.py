"""Under which name of the van file the bus of a recorded frame goes.

A recording names its interfaces or numbers them. What no bus of the van file is keeps
the recording's own name behind a question mark, which no bus can have.
"""

from collections.abc import Mapping


def named(buses: Mapping[str, str], interface: str) -> str:
    """Return the bus of a named interface.

    Args:
        buses: Bus names by interface.
        interface: The interface as the recording names it.
    """
    return buses.get(interface, f"?{interface}")


def numbered(buses: Mapping[str, str], place: int, label: str) -> str:
    """Return the bus of a numbered channel: the first is the first of the van file.

    Args:
        buses: Bus names by interface, in the order of the van file.
        place: The channel's place, from 0.
        label: What the recording calls it.
    """
    names = tuple(buses.values())
    return names[place] if 0 <= place < len(names) else f"?{label}"
