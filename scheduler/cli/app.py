"""The command line: options in, printing and exit codes out.

Every command imports what it needs when it runs, so that `overnight --help` answers at once.
"""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from scheduler.cli.bill import bill
from scheduler.cli.compare import compare
from scheduler.cli.fit_losses import fit_losses
from scheduler.cli.new import new
from scheduler.cli.options import AsJson
from scheduler.cli.read_meter import read_meter
from scheduler.cli.sweep import sweep
from scheduler.cli.wear import wear
from scheduler.textio.errors import InputFaults
from scheduler.textio.exit_codes import INPUT_AT_FAULT, NO_PLAN, REFUSED, TARGET_MISSED

if TYPE_CHECKING:
    from scheduler.plans.plan import Plan

app = typer.Typer(
    name="overnight",
    help="Plans each night for an electric car on a bidirectional charger.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class Forecast(StrEnum):
    """Where load and solar come from."""

    TYPICAL = "typical"
    RECORDED = "recorded"


class HandOverTo(StrEnum):
    """What a plan is handed over as."""

    CALENDAR = "calendar"
    OCPP21 = "ocpp21"


class Sun(StrEnum):
    """How sunny a typical forecast is."""

    LOW = "low"
    TYPICAL = "typical"
    HIGH = "high"


SiteFolder = Annotated[Path, typer.Argument(metavar="SITE", help="The site's folder, which holds site.toml.")]
Soc = Annotated[
    float, typer.Option("--soc", metavar="PERCENT", help="State of charge now, or on arrival with --home-at.")
]
HighestSoc = Annotated[
    float | None,
    typer.Option("--highest-soc-today", metavar="PERCENT", help="Today's highest state of charge, before driving."),
]
Now = Annotated[
    str | None, typer.Option("--now", metavar="T", help='Plan from this moment, "2026-03-02T18:20"; else from now.')
]
HomeAt = Annotated[
    str | None, typer.Option("--home-at", metavar="T", help='The car is away until then, "21:00" or with a date.')
]
Trips = Annotated[
    list[str] | None,
    typer.Option(
        "--trip",
        metavar="TRIP",
        help='A trip, "07:30-18:00 96km" or "2026-03-03T07:30-2026-03-04T18:00 60mi"; may be given again.',
    ),
]
StayHome = Annotated[bool, typer.Option("--stay-home", help="No trip, not even a usual one.")]
OfferFile = Annotated[Path | None, typer.Option("--offer", metavar="FILE", help="Use this offer, not the site's own.")]
WearWeight = Annotated[
    float | None, typer.Option("--wear-weight", metavar="X", help="Factor on battery wear, not the site's own.")
]
ForecastOption = Annotated[
    Forecast, typer.Option("--forecast", help="Typical days, or the recorded series itself (for studies).")
]
SolarOption = Annotated[Sun, typer.Option("--solar", help="How sunny a typical forecast is.")]
PeakSoFar = Annotated[
    float | None,
    typer.Option("--peak-so-far", metavar="KW", help="The month's highest demand so far, for a demand charge."),
]
ImportedSoFar = Annotated[
    float | None,
    typer.Option("--imported-so-far", metavar="KWH", help="Counted so far towards the import step under way."),
]
ExportedSoFar = Annotated[
    float | None,
    typer.Option("--exported-so-far", metavar="KWH", help="Counted so far today towards the first kWh of export."),
]
PlansFolder = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="Where the plans' folders are; else SITE/plans.")
]
Why = Annotated[
    str | None, typer.Option("--why", metavar="T", help='Show the arithmetic of the interval at this time, "19:00".')
]


@app.callback()
def overnight() -> None:
    """Plans each night for an electric car on a bidirectional charger.

    Exit codes: 0 done; 2 the input is at fault; 3 planned, but a departure target is missed; 4 the solver gave no
    plan; 5 replay refused the plan, and nothing was written.
    """


@app.command()
def plan(
    site: SiteFolder,
    soc: Soc,
    highest_soc_today: HighestSoc = None,
    now: Now = None,
    home_at: HomeAt = None,
    trip: Trips = None,
    stay_home: StayHome = False,
    offer: OfferFile = None,
    wear_weight: WearWeight = None,
    forecast: ForecastOption = Forecast.TYPICAL,
    solar: SolarOption = Sun.TYPICAL,
    peak_so_far: PeakSoFar = None,
    imported_so_far: ImportedSoFar = None,
    exported_so_far: ExportedSoFar = None,
    out: PlansFolder = None,
    why: Why = None,
    as_json: AsJson = False,
) -> None:
    """Plan tonight: what to set on the charger, and from when to when."""
    from scheduler.nights.parse_request import RequestOptions
    from scheduler.plans.plan_tonight import plan_tonight

    words = RequestOptions(
        soc,
        now,
        home_at,
        highest_soc_today,
        tuple(trip or ()),
        stay_home,
        wear_weight,
        forecast.value,
        solar.value,
        peak_so_far,
        imported_so_far,
        exported_so_far,
    )
    plans = out if out is not None else site / "plans"
    _make(lambda progress: plan_tonight(site, words, offer, progress), plans, why, as_json)


@app.command()
def replan(
    site: SiteFolder,
    soc: Soc,
    highest_soc_today: HighestSoc = None,
    now: Now = None,
    home_at: HomeAt = None,
    trip: Trips = None,
    stay_home: StayHome = False,
    offer: OfferFile = None,
    wear_weight: WearWeight = None,
    forecast: ForecastOption = Forecast.TYPICAL,
    solar: SolarOption = Sun.TYPICAL,
    peak_so_far: PeakSoFar = None,
    imported_so_far: ImportedSoFar = None,
    exported_so_far: ExportedSoFar = None,
    out: PlansFolder = None,
    why: Why = None,
    as_json: AsJson = False,
) -> None:
    """Things changed: plan the rest of tonight's newest plan from here, and say what changes and what it saves.

    Trips that are not named anew are those of the newest plan.
    """
    from scheduler.nights.parse_request import RequestOptions
    from scheduler.plans.replan import replan_tonight

    words = RequestOptions(
        soc,
        now,
        home_at,
        highest_soc_today,
        tuple(trip or ()),
        stay_home,
        wear_weight,
        forecast.value,
        solar.value,
        peak_so_far,
        imported_so_far,
        exported_so_far,
    )
    plans = out if out is not None else site / "plans"
    _make(lambda progress: replan_tonight(site, words, plans, offer, progress), plans, why, as_json)


def _make(make: Callable[[Callable[[str], None]], Plan], plans: Path, why: str | None, as_json: bool) -> None:
    """Make a plan, write it, print it, and leave with its exit code."""
    from scheduler.cli.progress import steps_shown
    from scheduler.optimizer.lexicographic import NoPlanError
    from scheduler.plan_output.plan_json import plan_text
    from scheduler.plan_output.terminal import show_plan
    from scheduler.plan_output.write_plan import write_plan
    from scheduler.plans.explain_interval import explain_interval
    from scheduler.plans.plan_tonight import STAGES
    from scheduler.plans.replay import PlanRefused
    from scheduler.textio.errors import NotWrittenError

    try:
        with steps_shown(STAGES) as progress:
            made = make(progress)
            reasoning = None if why is None else explain_interval(made, why)
        folder = write_plan(made, plans)
    except InputFaults as faults:
        _stop(str(faults), INPUT_AT_FAULT)
    except NotWrittenError as error:
        _stop(str(error), INPUT_AT_FAULT)
    except NoPlanError as error:
        _stop(f"The solver gave no plan: {error}.", NO_PLAN)
    except PlanRefused as refused:
        _stop("Replay refused the plan; nothing was written:\n" + "\n".join(refused.broken), REFUSED)
    if as_json:
        sys.stdout.write(plan_text(made))
    else:
        from rich.console import Console

        show_plan(made, Console(highlight=False))
    if reasoning is not None:
        typer.echo(f"{reasoning}\n", err=as_json)
    typer.echo(f"Written to {folder}.", err=as_json)
    if made.target_missed:
        raise typer.Exit(TARGET_MISSED)


@app.command()
def check(site: SiteFolder, offer: OfferFile = None, as_json: AsJson = False) -> None:
    """Report every fault in a site's files at once, without planning."""
    from scheduler.inputs.site_inputs import read_inputs

    try:
        inputs = read_inputs(site, offer)
    except InputFaults as faults:
        if as_json:
            found = [
                {"file": fault.file, "line": fault.line, "key": fault.key, "message": fault.message}
                for fault in faults.faults
            ]
            typer.echo(json.dumps({"faults": found}, ensure_ascii=False, indent=2))
            raise typer.Exit(INPUT_AT_FAULT) from None
        _stop(str(faults), INPUT_AT_FAULT)
    if as_json:
        typer.echo(json.dumps({"faults": []}))
    else:
        names = ", ".join(file.name for file in inputs.files)
        typer.echo(f"{inputs.site.name}: no faults in {names}.")


app.command()(new)
app.command()(bill)
app.command()(compare)
app.command()(sweep)
app.command("read-meter")(read_meter)
app.command()(wear)
app.command("fit-losses")(fit_losses)


@app.command("hand-over")
def hand_over_command(
    plan_folder: Annotated[Path, typer.Argument(metavar="PLAN_DIR", help="The folder of a plan.")],
    kind: Annotated[
        HandOverTo, typer.Option("--as", help="A calendar (RFC 5545), or SetChargingProfile of OCPP 2.1 Edition 1.")
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="The file to write; else one beside the plan.")
    ] = None,
) -> None:
    """Write a plan as a file for a calendar or a charging station. Nothing here contacts a charger."""
    from scheduler.plan_output.export import hand_over
    from scheduler.textio.errors import NotWrittenError

    try:
        file = hand_over(plan_folder, kind.value, out)
    except InputFaults as faults:
        _stop(str(faults), INPUT_AT_FAULT)
    except NotWrittenError as error:
        _stop(str(error), INPUT_AT_FAULT)
    typer.echo(f"Written to {file}. It is a file only: no charger was contacted, and a plan is advice, not control.")


def _stop(message: str, code: int) -> NoReturn:
    typer.echo(message, err=True)
    raise typer.Exit(code)


def main() -> None:
    """Entry point of the `overnight` command; output is UTF-8 wherever it goes, for it holds signs such as "−"."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and (stream.encoding or "").lower().replace("-", "") != "utf8":
            stream.reconfigure(encoding="utf-8", errors="replace")
    app()
