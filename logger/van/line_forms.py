"""The kinds of line of a van file's ports, made into what the pipeline reads them by.

Knows sections and their faults; reads no port.
"""

from collections.abc import Iterator, Mapping, Sequence
from functools import partial

from logger.decode.checksums import Checksum
from logger.decode.text_lines import Form, LineForm
from logger.van.draft import Draft, Note, Numbered
from logger.van.faults import nearest, shown
from logger.van.line_kind import LineKind, Wanted
from logger.van.settings import (
    LineSection,
    PortSection,
)


def line_kinds(draft: Draft, note: Note) -> list[LineKind]:
    """Return the kinds of line of all ports, in the order of the file.

    Args:
        draft: The sections of the van file.
        note: Called for every line that does not fit.
    """
    kinds = [
        kind
        for port in draft.each(PortSection)
        if port.section.speaks == "nmea"
        for kind in _sentences(port.section.name)
    ]
    return [*kinds, *_devices(draft, note), *_written(draft, note)]


def line_forms(
    kinds: Sequence[LineKind], fields: Mapping[tuple[str, str], Sequence[str]]
) -> dict[str, tuple[Form, ...]]:
    """Return what the lines of each port are read by.

    Args:
        kinds: The kinds of line, in the order of the file.
        fields: The fields that are fed, by port and line name.
    """
    forms: dict[str, list[Form]] = {}
    for kind in kinds:
        wanted = tuple(fields.get((kind.port, kind.name), ()))
        forms.setdefault(kind.port, []).append(kind.form(wanted))
    return {port: tuple(each) for port, each in forms.items()}


def _sentences(port: str) -> Iterator[LineKind]:
    """Yield the sentences that are known of a satellite receiver."""
    # Only here: the library behind it is loaded where a port speaks them.
    from logger.decode.nmea import SENTENCES, SentenceForm

    for name, sentence in SENTENCES.items():
        yield LineKind(port, name, sentence.fields, partial(SentenceForm, name))


def _devices(draft: Draft, note: Note) -> Sequence[LineKind]:
    """Return the answers of the devices that are asked."""
    if not draft.repeated.get("device") and not draft.repeated.get("register"):
        return ()
    from logger.van.device_forms import device_kinds

    return device_kinds(draft, note)


def _written(draft: Draft, note: Note) -> Iterator[LineKind]:
    """Yield the kinds of line that the van file describes."""
    ports = {each.section.name: each.section for each in draft.each(PortSection)}
    earlier: dict[str, list[LineSection]] = {}
    for each in draft.each(LineSection):
        section, port = each.section, each.section.port
        if port not in ports and None not in ports and port is not None:
            note(f"{each.place} port", shown(port), nearest(port, ports))
        elif port in ports and ports[port].speaks != "lines":
            fix = "Leave this line out: what this port speaks is known."
            note(f"{each.place} port", shown(port), fix)
        if each.is_whole:
            _check(each, earlier.setdefault(port, []), note)
        yield LineKind(port, section.name, section.columns, partial(_form, section))


def _check(each: Numbered[LineSection], earlier: list[LineSection], note: Note) -> None:
    """Note a line that an earlier one of its port takes, and doubled fields."""
    section = each.section
    taken = [one for one in earlier if section.begins.startswith(one.begins)]
    if taken:
        fix = f"The line {taken[0].name} takes all of these; put it further down."
        note(f"{each.place} begins", shown(section.begins), fix)
    columns = section.columns or ()
    if len(set(columns)) < len(columns):
        fix = "Give each field a name of its own."
        note(f"{each.place} columns", shown(list(columns)), fix)
    earlier.append(section)


def _form(section: LineSection, fields: Wanted) -> LineForm:
    return LineForm(
        name=section.name,
        begins=section.begins,
        separator=section.separator,
        checksum=Checksum(section.checksum),
        columns=section.columns,
        fields=fields,
        equals=section.equals,
        mark=section.checksum_mark,
        skips=section.checksum_skips,
    )
