"""Positions as GPX 1.1: one track a run, one segment a row of positions without a gap.

Source: the schema of the namespace http://www.topografix.com/GPX/1/1, where elements
stand in a fixed order: in `trk` name, number, trkseg; in `trkpt` ele, time, sat, hdop;
latitudes lie in -90 to 90, longitudes from -180 to below 180.
"""

from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import TextIO
from xml.sax.saxutils import quoteattr

from logger.store.export.places import Place
from logger.store.export.sheet import number_text
from logger.store.reader import iso_utc

NAMESPACE = "http://www.topografix.com/GPX/1/1"


def write_gpx(places: Iterable[Place], program: str, file: TextIO) -> None:
    """Write positions as tracks.

    Args:
        places: Positions, run by run, in their order.
        program: Program and version that write them.
        file: Open for writing, UTF-8.

    Raises:
        OSError: The file takes no more.
    """
    creator = quoteattr(program)
    file.write('<?xml version="1.0" encoding="UTF-8"?>\n')
    file.write(f'<gpx xmlns="{NAMESPACE}" version="1.1" creator={creator}>\n')
    for run, track in groupby(places, key=lambda place: place.run.id):
        file.write(f"<trk><name>Run {run}</name><number>{run}</number>\n")
        for _, stretch in groupby(track, key=lambda place: place.stretch):
            file.write("<trkseg>\n")
            file.writelines(map(_point, stretch))
            file.write("</trkseg>\n")
        file.write("</trk>\n")
    file.write("</gpx>\n")
    file.flush()


def _point(place: Place) -> str:
    # The schema has one name for the date line, the western one.
    longitude = -180.0 if place.longitude_deg == 180.0 else place.longitude_deg
    at = f'lat="{number_text(place.latitude_deg)}" lon="{number_text(longitude)}"'
    return f"<trkpt {at}>{''.join(_elements(place))}</trkpt>\n"


def _elements(place: Place) -> Iterator[str]:
    if place.altitude_m is not None:
        yield f"<ele>{number_text(place.altitude_m)}</ele>"
    when = iso_utc(place.run.date_us(place.t_us))
    if when is not None:
        yield f"<time>{when}</time>"
    if place.satellites_count is not None:
        yield f"<sat>{round(place.satellites_count)}</sat>"
    if place.dilution_ratio is not None:
        yield f"<hdop>{number_text(place.dilution_ratio)}</hdop>"
