"""The kinds of text line of a van file, made into what the pipeline reads them by.

Knows sections and their faults; reads no port.
"""

from collections.abc import Mapping, Sequence

from logger.decode.text_lines import Checksum, LineForm
from logger.van.draft import Draft, Note
from logger.van.faults import nearest, shown
from logger.van.settings import LineSection, PortSection


def line_forms(
    draft: Draft, fields: Mapping[tuple[str, str], Sequence[str]], note: Note
) -> dict[str, tuple[LineForm, ...]]:
    """Return the kinds of line of each port, in the order of the file.

    Args:
        draft: The sections of the van file.
        fields: The fields that are fed, by port and line name.
        note: Called for every line that does not fit.
    """
    ports = [each.section.name for each in draft.each(PortSection)]
    forms: dict[str, list[LineForm]] = {}
    for each in draft.each(LineSection):
        section, port = each.section, each.section.port
        if port not in ports and None not in ports and port is not None:
            note(f"{each.place} port", shown(port), nearest(port, ports))
        if each.is_whole:
            earlier = forms.setdefault(port, [])
            _check(each.place, section, earlier, note)
            earlier.append(_form(section, fields.get((port, section.name), ())))
    return {port: tuple(each) for port, each in forms.items()}


def _check(
    place: str, section: LineSection, earlier: Sequence[LineForm], note: Note
) -> None:
    """Note a line that an earlier one of its port takes, and doubled fields."""
    taken = [each for each in earlier if section.begins.startswith(each.begins)]
    if taken:
        fix = f"The line {taken[0].name} takes all of these; put it further down."
        note(f"{place} begins", shown(section.begins), fix)
    columns = section.columns or ()
    if len(set(columns)) < len(columns):
        fix = "Give each field a name of its own."
        note(f"{place} columns", shown(list(columns)), fix)


def _form(section: LineSection, fields: Sequence[str]) -> LineForm:
    return LineForm(
        name=section.name,
        begins=section.begins,
        separator=section.separator,
        checksum=Checksum(section.checksum),
        columns=section.columns,
        fields=tuple(fields),
    )
