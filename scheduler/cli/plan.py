"""`overnight plan SITE --soc 71` and `overnight replan`: make tonight's plan, or make it again from now."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scheduler.cli.failures import failures_told
from scheduler.cli.options import AsJson, Forecast, NoRecord, OfferFile, SiteFolder, number_option, option, takes
from scheduler.cli.screen import print_result, say_written
from scheduler.textio.exit_codes import TARGET_MISSED

if TYPE_CHECKING:
    from scheduler.nights.parse_request import RequestOptions
    from scheduler.plans.plan import Plan


class Sun(StrEnum):
    """How sunny a typical forecast is."""

    LOW = "low"
    TYPICAL = "typical"
    HIGH = "high"


@dataclass(frozen=True, slots=True, kw_only=True)
class TonightOptions:
    """Options of the commands that plan tonight."""

    site: SiteFolder
    soc: Annotated[float, number_option("--soc", "PERCENT", "State of charge now, or on arrival with --home-at.", "%")]
    highest_soc_today: Annotated[
        float | None,
        number_option(
            "--highest-soc-today",
            "PERCENT",
            "Today's highest state of charge; if not given, from the last plan, today's trips or the ceiling.",
            "%",
        ),
    ] = None
    now: Annotated[str | None, option("--now", "T", 'Plan from this moment, "2026-03-02T18:20"; else from now.')] = None
    home_at: Annotated[
        str | None,
        option("--home-at", "T", 'The car is away until then, "21:00" or with a date; or a range, "21:00..23:00".'),
    ] = None
    trip: Annotated[
        list[str] | None,
        option(
            "--trip",
            "TRIP",
            'A trip, "07:30-18:00 96km" or "2026-03-03T07:30-2026-03-04T18:00 60mi fast"; may be repeated.',
        ),
    ] = None
    outside_degc: Annotated[
        float | None, option("--outside-degc", "T", "Temperature outside on the trips, in °C; without it, mild.")
    ] = None
    stay_home: Annotated[bool, typer.Option("--stay-home", help="No trip, not even a usual one.")] = False
    offer: OfferFile = None
    wear_weight: Annotated[
        float | None, number_option("--wear-weight", "X", "Factor on battery wear, not the site's own.")
    ] = None
    forecast: Annotated[
        Forecast,
        typer.Option(
            "--forecast", help="Past days like tonight, a typical day, or the recorded series itself (for studies)."
        ),
    ] = Forecast.SAMPLES
    solar: Annotated[Sun, typer.Option("--solar", help="How sunny a typical forecast is.")] = Sun.TYPICAL
    peak_so_far: Annotated[
        float | None,
        number_option("--peak-so-far", "KW", "The month's highest demand so far, for a demand charge.", "kW"),
    ] = None
    imported_so_far: Annotated[
        float | None,
        number_option("--imported-so-far", "KWH", "Import counted so far towards the tier under way.", "kWh"),
    ] = None
    exported_so_far: Annotated[
        float | None,
        number_option("--exported-so-far", "KWH", "Export counted so far today towards the first kWh.", "kWh"),
    ] = None
    out: Annotated[Path | None, option("--out", "DIR", "The folder of all plans; else SITE/plans.")] = None
    why: Annotated[str | None, option("--why", "T", 'Explain the interval at this time, "19:00", in numbers.')] = None
    full: Annotated[
        bool, typer.Option("--full", help="Print everything: each setting's reason, the money's table, all cautions.")
    ] = False
    no_record: NoRecord = False
    as_json: AsJson = False

    @property
    def for_study(self) -> bool:
        """Return whether the plan is kept out of the site's record: by the owner's word, or made in hindsight."""
        return self.no_record or self.forecast is Forecast.RECORDED

    @property
    def plans(self) -> Path:
        """Return the folder of all plans."""
        return self.out if self.out is not None else self.site / "plans"

    def request(self) -> RequestOptions:
        """Return tonight's request as typed."""
        from scheduler.nights.parse_request import RequestOptions

        return RequestOptions(
            soc_percent=self.soc,
            now=self.now,
            home_at=self.home_at,
            highest_soc_today_percent=self.highest_soc_today,
            trips=tuple(self.trip or ()),
            stay_home=self.stay_home,
            wear_weight=self.wear_weight,
            forecast=self.forecast.value,
            solar=self.solar.value,
            peak_so_far_kw=self.peak_so_far,
            imported_so_far_kwh=self.imported_so_far,
            exported_so_far_kwh=self.exported_so_far,
            outside_degc=self.outside_degc,
        )


@takes(TonightOptions)
def plan(
    options: TonightOptions,
    write_model: Annotated[
        Path | None, option("--write-model", "FILE", "Also write the night's program, as .mps or .lp for any solver.")
    ] = None,
) -> None:
    """Plan tonight: what to set on the charger, and from when to when."""
    with _loading():
        from scheduler.plans.plan_tonight import plan_tonight

    _make(
        options,
        lambda progress: plan_tonight(options.site, options.request(), options.offer, progress, options.plans),
        write_model,
    )


@takes(TonightOptions)
def replan(options: TonightOptions) -> None:
    """Plan the rest of tonight again after a change, and say what differs from the newest plan and what it saves.

    If no trip is given, the trips are those of the newest plan.
    """
    with _loading():
        from scheduler.plans.replan import replan_tonight

    _make(
        options,
        lambda progress: replan_tonight(options.site, options.request(), options.plans, options.offer, progress),
    )


def make_plan(options: TonightOptions) -> None:
    """Plan tonight, write the plan and print it; leave with its exit code if a departure target is missed."""
    with _loading():
        from scheduler.plans.plan_tonight import plan_tonight

    _make(
        options, lambda progress: plan_tonight(options.site, options.request(), options.offer, progress, options.plans)
    )


@contextmanager
def _loading() -> Iterator[None]:
    """Load modules without garbage being looked for: what they make stays, and going through it takes 0.15 s."""
    gc.disable()
    try:
        yield
    finally:
        if not gc.get_freeze_count():  # once: garbage of plans before would stay too
            gc.freeze()
        gc.enable()


def _make(
    options: TonightOptions, make: Callable[[Callable[[str], None]], Plan], model_file: Path | None = None
) -> None:
    """Make a plan, write it, print it, and leave with its exit code.

    Parameters
    ----------
    model_file : for the night's program as well; only then is Pyomo loaded.
    """
    with _loading():
        from scheduler.cli.progress import steps_shown
        from scheduler.plan_output.plan_json import plan_text
        from scheduler.plan_output.terminal import show_plan
        from scheduler.plan_output.write_plan import REPORT_FILE, write_plan
        from scheduler.plans.explain_interval import explain_interval
        from scheduler.plans.plan_tonight import STAGES

    with failures_told():
        if model_file is not None:
            from scheduler.optimizer.reference import check_model_file, write_model

            check_model_file(model_file)
        with steps_shown(STAGES) as progress:
            made = make(progress)
            reasoning = None if options.why is None else explain_interval(made, options.why)
        if model_file is not None:
            write_model(made.night, model_file)
        folder = write_plan(made, options.plans, options.for_study)
    not_kept = _kept(options, folder)
    print_result(made, options.as_json, plan_text, lambda made, console: show_plan(made, console, options.full))
    if reasoning is not None:
        typer.echo(f"{reasoning}\n", err=options.as_json)
    say_written(options.as_json, folder)
    if model_file is not None:
        typer.echo(f"The night's program is in {model_file}.", err=options.as_json)
    typer.echo(f"The page: {folder / REPORT_FILE}", err=options.as_json)
    if not_kept is not None:
        typer.echo(not_kept, err=True)
    if made.target_missed:
        raise typer.Exit(TARGET_MISSED)


def _kept(options: TonightOptions, folder: Path) -> str | None:
    """Keep a plan in the site's record; return a sentence on why it is not there, None if it is or is not to be.

    Only the plans in the site's own folder of plans are kept: others are made for a study.
    """
    from scheduler.record.keep_plan import keep_plan
    from scheduler.record.take_in import PLANS_FOLDER

    if options.for_study or options.plans.resolve() != (options.site / PLANS_FOLDER).resolve():
        return None
    return keep_plan(options.site, folder)
