"""Where the folders of the checkout are."""

from pathlib import Path

ROOT = Path(__file__).parents[2]
SCENARIOS = ROOT / "scenarios"
PUBLISHED = ROOT / "tests" / "published"
