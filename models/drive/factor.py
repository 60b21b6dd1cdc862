"""A factor on a drive's usual consumption, with its spread."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, log
from statistics import NormalDist

LEAST_PROBABILITY = 1e-6
OUTER = 0.95
"""Of 20 drives, one takes more than the factor's `high`, and one less than its `low`: a convention, since the published
tests that the factors come from are too few to say more."""

_Z_OUTER = NormalDist().inv_cdf(OUTER)


@dataclass(frozen=True, slots=True)
class Factor:
    """A factor that is above 0 and not known exactly.

    Attributes
    ----------
    middle : as many drives take more as take less [-].
    low, high : one drive in 20 takes less than low, and one in 20 more than high [-].

    Examples
    --------
    >>> cold = Factor(1.45, 1.25, 1.75)
    >>> [round(cold.quantile(probability), 3) for probability in (0.05, 0.5, 0.95)]
    [1.25, 1.45, 1.75]
    """

    middle: float
    low: float
    high: float

    def __post_init__(self) -> None:
        """Refuse values that are not above 0 and in order.

        Raises
        ------
        ValueError : they are not.
        """
        if not 0 < self.low <= self.middle <= self.high:
            raise ValueError(f"a factor needs 0 < low <= middle <= high, not {self.low}, {self.middle}, {self.high}")

    def quantile(self, probability: float) -> float:
        """Return the value that a drive stays below with a probability [-], from 0 to 1.

        Its logarithm is normal on either side of the middle, each side with its own width.

        Parameters
        ----------
        probability : from 0 to 1; the outermost millionths are cut off, so that every value is finite.
        """
        inside = min(1 - LEAST_PROBABILITY, max(LEAST_PROBABILITY, probability))
        outer = self.high if inside >= 0.5 else self.low
        return self.middle * exp(abs(NormalDist().inv_cdf(inside)) / _Z_OUTER * log(outer / self.middle))

    def chance_over(self, value: float) -> float:
        """Return the probability that a drive takes more than a value above 0 [-].

        Examples
        --------
        >>> cold = Factor(1.45, 1.25, 1.75)
        >>> [round(cold.chance_over(value), 3) for value in (1.25, 1.45, 1.75, 2.5)]
        [0.95, 0.5, 0.05, 0.0]
        >>> EXACT.chance_over(0.9), EXACT.chance_over(1.0)
        (1.0, 0.0)
        """
        outer = self.high if value >= self.middle else self.low
        if outer == self.middle:
            return 0.0 if value >= self.middle else 1.0
        return 1 - NormalDist().cdf(_Z_OUTER * log(value / self.middle) / abs(log(outer / self.middle)))


EXACT = Factor(1.0, 1.0, 1.0)
"""Nothing is known that would change the usual consumption."""


def product(*factors: Factor) -> Factor:
    """Return the product of factors that do not depend on each other.

    Widths of the logarithms add up as the root of their squares, on each side.

    Examples
    --------
    >>> product(Factor(1.2, 1.0, 1.3), EXACT)
    Factor(middle=1.2, low=1.0, high=1.3)
    """
    known = [factor for factor in factors if factor != EXACT]
    if len(known) <= 1:
        return known[0] if known else EXACT
    middle = 1.0
    for factor in known:
        middle *= factor.middle
    down = hypot(*(log(factor.middle / factor.low) for factor in known))
    up = hypot(*(log(factor.high / factor.middle) for factor in known))
    return Factor(middle, middle * exp(-down), middle * exp(up))
