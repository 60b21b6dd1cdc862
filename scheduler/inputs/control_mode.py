"""How a plan is put into effect: as a schedule, as a few blocks set by hand, or as whole amps set by hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SetBy = Literal["schedule", "blocks", "current"]
Action = Literal["charge", "discharge", "cover", "surplus"]
"""What a block does; "cover": discharge as much as the building draws, up to the power of the block; "surplus": charge
with what the roof gives beyond the building's draw, up to the power of the block."""
CHARGING: tuple[Action, ...] = ("charge", "surplus")
"""Actions that charge."""


@dataclass(frozen=True, slots=True)
class Setting:
    """How the charger is set.

    Attributes
    ----------
    set_by : "schedule": a power for every interval; "blocks": one power per block; "current": as blocks, each a whole
        number of amps at the charger's volts and phases.
    max_blocks : most blocks in a night. min_block_minutes : shortest block [min]. Both are unused for a schedule.
    timer : whether the charger starts and stops by its own clock.
    """

    set_by: SetBy = "schedule"
    max_blocks: int = 0
    min_block_minutes: int = 0
    timer: bool = False

    @property
    def by_hand(self) -> bool:
        """Return whether a person sets the blocks."""
        return self.set_by != "schedule"
