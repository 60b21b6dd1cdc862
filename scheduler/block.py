"""A block: a run of one action, the thing a person sets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Action = Literal["charge", "discharge", "cover"]


@dataclass(frozen=True, slots=True)
class Block:
    """A run of one action: what to set.

    Attributes
    ----------
    first, last : the intervals first to last - 1.
    action : "charge" or "discharge" at `kw`; "cover": discharge what the building draws, up to `kw`.
    kw : power at the AC side, positive [kW].
    amps : current per phase, positive [A].
    """

    first: int
    last: int
    action: Action
    kw: float
    amps: float

    @property
    def intervals(self) -> slice:
        """Its intervals, to index arrays with."""
        return slice(self.first, self.last)
