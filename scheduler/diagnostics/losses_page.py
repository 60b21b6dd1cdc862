"""`losses.html`: fitted losses as one page, which opens without a network."""

from __future__ import annotations

from importlib.metadata import version

from markupsafe import Markup

from scheduler.diagnostics.losses import LossFit, site_lines
from scheduler.diagnostics.losses_chart import losses_chart
from scheduler.diagnostics.losses_terminal import example_note, point_rows, sure_note
from scheduler.render.page_template import page_template


def losses_page(made: LossFit) -> str:
    """The page, self-contained."""
    charge, discharge, fixed = made.keys
    return page_template("losses.html").render(
        headline=(
            f"The charger loses {fixed.estimate_text} whenever it is on; beyond that it charges at "
            f"{charge.estimate_text} and discharges at {discharge.estimate_text}"
        ),
        file=made.table.path.name,
        count=len(made.table.points),
        example=example_note(made),
        keys=made.keys,
        scatter_known=made.fitted.scatter_points is not None,
        sure=sure_note(made),
        site_lines=site_lines(made),
        chart=Markup(losses_chart(made)),
        rows=point_rows(made),
        warnings=made.warnings,
        program=f"overnight {version('overnight-scheduler')}",
    )
