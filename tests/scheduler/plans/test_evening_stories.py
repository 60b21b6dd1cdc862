"""Forty evenings as an owner meets them: what the first sentences must say, how many settings at most, and when.

The evenings and what is expected of them are in `evening_stories.toml`, one table each. The demo sites are invented, so
the amounts prove nothing; what is held is that the words fit the evening: a drive that cannot be made ready comes
first, a car that comes home late is away, what is set by hand is set at waking hours. They are planned on the typical
day, which is quicker, unless a story says otherwise.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from scheduler.inputs.control_mode import WAKING_HOURS
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.plans.plan import Plan
from scheduler.plans.plan_tonight import plan_request
from scheduler.plans.tonight import first_sentences, steps
from tests.builders.places import SCENARIOS

STORIES: dict[str, dict[str, Any]] = tomllib.loads(
    Path(__file__).with_name("evening_stories.toml").read_text(encoding="utf-8")
)


def plan_of(story: dict[str, Any]) -> Plan:
    """The evening's plan."""
    folder = SCENARIOS / story["site"]
    inputs = read_inputs(folder, folder / "offers" / f"{story['offer']}.toml" if "offer" in story else None)
    if "set_by" in story:
        by_hand = replace(
            inputs.site.setting,
            set_by=story["set_by"],
            max_blocks=3,
            min_block_minutes=60,
            worth=None,
            between=WAKING_HOURS,
        )
        inputs = replace(inputs, site=replace(inputs.site, setting=by_hand))
    options = RequestOptions(
        story["soc"],
        now=story["now"],
        trips=tuple(story.get("trips", ())),
        stay_home=story.get("stay_home", False),
        home_at=story.get("home_at"),
        outside_degc=story.get("outside_degc"),
        forecast=story.get("forecast", "typical"),
    )
    return plan_request(inputs, parse_request(options, inputs))


def test_there_are_forty() -> None:
    assert len(STORIES) == 40


@pytest.mark.parametrize("name", STORIES)
def test_the_first_sentences_fit_the_evening(name: str) -> None:
    """Each expected text stands in the sentence of its place, and no more steps are asked for than the story allows."""
    story = STORIES[name]
    plan = plan_of(story)
    sentences = first_sentences(plan)
    assert len(sentences) == len(story["first"]), sentences
    for sentence, expected in zip(sentences, story["first"], strict=True):
        assert re.search(expected, sentence), (expected, sentence)
    to_do = steps(plan)
    made = [step for step in to_do if step.kind != "look"]
    assert len(made) <= story["most_settings"], [step.text for step in made]
    if "set_by" in story:
        begin = plan.night.boundaries[0].to_pydatetime()
        later = [step.at.astimezone(ZoneInfo(plan.night.timezone)) for step in made if step.at > begin]
        first, last = WAKING_HOURS
        assert [at for at in later if not first <= 60 * at.hour + at.minute <= last] == []
