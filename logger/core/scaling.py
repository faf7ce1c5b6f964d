"""A cell times a factor, so that the factor can be taken out again to the bit.

Where a channel is another one times a setting (road speed from motor turns), that
setting may turn out wrong after years. What it is applied to is therefore rounded to a
few bits less than a float has: then division by the old factor gives back exactly what
there was, and the new factor gives exactly what the live path would have written.
"""

import math
from dataclasses import replace

from logger.core.tick import Cell

KEPT_BITS = 48
"""Of 53. A product and a quotient are each rounded by half a unit of the 53rd bit, far
less than half a unit of the 48th; what is lost is 2e-15 of the value."""


def rounded(value: float) -> float:
    """Return a number with 48 significant bits."""
    mantissa, exponent = math.frexp(value)
    return math.ldexp(round(math.ldexp(mantissa, KEPT_BITS)), exponent - KEPT_BITS)


def scaled(cell: Cell, factor: float) -> Cell:
    """Return a cell of rounded values times a factor above 0."""
    return replace(
        cell,
        low=factor * rounded(cell.low),
        high=factor * rounded(cell.high),
        last=factor * rounded(cell.last),
        integral=factor * rounded(cell.integral),
    )


def rescaled(cell: Cell, before: float, after: float) -> Cell:
    """Return what a cell that was scaled by one factor is by another one.

    Args:
        cell: As `scaled` made it.
        before: The factor that it was scaled by, above 0.
        after: The factor to scale it by instead, above 0.
    """
    bare = replace(
        cell,
        low=cell.low / before,
        high=cell.high / before,
        last=cell.last / before,
        integral=cell.integral / before,
    )
    return scaled(bare, after)
