"""The plan's sentence for a page or a screen that lists every step below it."""

from __future__ import annotations

from scheduler.optimizer.block import setting_text
from scheduler.plans.plan import Plan
from scheduler.plans.why_no_discharge import why_no_discharge
from scheduler.textio.format import clock_text, span_text


def short_headline(plan: Plan, few: int) -> str:
    """The plan's sentence; of more than `few` steps the first and when the next is due, for all are listed below."""
    if len(plan.blocks) <= few:
        return plan.headline
    night = plan.night
    now, begin, end, following = (
        night.boundaries[at].to_pydatetime()
        for at in (0, plan.blocks[0].first, plan.blocks[0].last, plan.blocks[1].first)
    )
    step = setting_text(plan.blocks[0], night.setting.set_by).partition(" (")[0]
    begins = plan.headline.partition(": ")[0]
    return (
        f"{begins}: {step} {span_text(begin, end, night.timezone, now)}, then {len(plan.blocks) - 1} more steps, "
        f"the next at {clock_text(following, night.timezone, now)}."
    )


def why_nothing_given(plan: Plan, few: int) -> str | None:
    """Why the car only charges, where the headline was too long to say it."""
    if len(plan.blocks) <= few or any(block.action != "charge" for block in plan.blocks):
        return None
    return f"The car gives nothing, since {why_no_discharge(plan.night, plan.replayed)}."
