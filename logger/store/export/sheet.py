"""Rows under one header, and how a cell is told: exactly, in no exponents.

Values that are not known are None here, an empty cell in CSV and null in Parquet.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import Enum

from logger.store.reader import iso_utc

Value = str | int | float | date | None


class Kind(Enum):
    """What the values of a column are."""

    TEXT = "text"
    WHOLE = "whole number"
    NUMBER = "number"
    STAMP = "microseconds since the Unix epoch"
    DAY = "day"


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes:
        name: Its name, with the unit as suffix.
        kind: What its values are.
        digits: Decimals of a number; None tells every number in full.
    """

    name: str
    kind: Kind = Kind.NUMBER
    digits: int | None = None


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows of equal length under one header; they can be walked once."""

    columns: tuple[Column, ...]
    rows: Iterator[Sequence[Value]]

    @property
    def header(self) -> tuple[str, ...]:
        """The names of the columns."""
        return tuple(column.name for column in self.columns)


def stamp(name: str) -> Column:
    """Return a column of dates."""
    return Column(name, Kind.STAMP)


def whole(name: str) -> Column:
    """Return a column of whole numbers."""
    return Column(name, Kind.WHOLE)


def text(name: str) -> Column:
    """Return a column of texts."""
    return Column(name, Kind.TEXT)


def teller(column: Column) -> Callable[[Value], str]:
    """Return what makes the text of a cell of a column."""
    if column.kind is Kind.STAMP:
        return _stamp_text
    if column.kind is Kind.NUMBER and column.digits is None:
        return _number_text
    form = "" if column.digits is None else f".{column.digits}f"
    return lambda value: "" if value is None else format(value, form)


def _stamp_text(value: Value) -> str:
    return iso_utc(value) or "" if isinstance(value, int) else ""


def _number_text(value: Value) -> str:
    return number_text(value) if isinstance(value, int | float) else ""


def number_text(value: float) -> str:
    """Return a number with just the digits that give the same number again."""
    told = repr(value)
    if "e" in told:
        # Any float is a decimal without an exponent, if a long one.
        told = format(Decimal(told), "f")
    return told.removesuffix(".0")


def rounded(column: Column) -> Callable[[Value], Value]:
    """Return what gives a cell the value that its text has in CSV."""
    digits = column.digits
    if digits is None:
        return lambda value: value
    return lambda value: round(value, digits) if isinstance(value, float) else value
