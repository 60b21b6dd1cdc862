"""`overnight new DIR`: write a new site from options and prompts.

Every option is text, so that the message on a mistyped one is that of the site's files.
"""

from __future__ import annotations

import shlex
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from scheduler.cli.check import check
from scheduler.cli.failures import failures_told
from scheduler.cli.options import option
from scheduler.cli.plan import TonightOptions, make_plan
from scheduler.textio.exit_codes import INPUT_AT_FAULT

if TYPE_CHECKING:
    from scheduler.inputs.new_site_questions import Answers, Question

BACK = "<"
CAR, CHARGER, APPROVED, OFFER = "Car", "Charger", "Approved by the network operator", "Offer"


def _option(name: str, metavar: str, text: str, panel: str | None = None) -> Any:
    """Return an option whose help begins with what it is about."""
    return option(name, metavar, f"{panel}: {text}" if panel else text)


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A folder that does not exist yet, or is empty.")],
    name: Annotated[str | None, _option("--name", "TEXT", "Name of the site.")] = None,
    timezone: Annotated[str | None, _option("--timezone", "ZONE", "IANA time zone.")] = None,
    holiday_calendar: Annotated[
        str | None, _option("--holiday-calendar", "CODE", "ISO country or subdivision whose holidays count, or none.")
    ] = None,
    import_limit_kw: Annotated[
        str | None, _option("--import-limit-kw", "KW", "highest power from the grid.", APPROVED)
    ] = None,
    export_limit_kw: Annotated[
        str | None, _option("--export-limit-kw", "KW", "highest power to the grid; 0 for none.", APPROVED)
    ] = None,
    battery_kwh: Annotated[str | None, _option("--battery-kwh", "KWH", "usable battery capacity.", CAR)] = None,
    consumption_kwh_per_100km: Annotated[
        str | None, _option("--consumption-kwh-per-100km", "KWH", "what driving takes from the battery.", CAR)
    ] = None,
    battery_price: Annotated[str | None, _option("--battery-price", "X", "a replacement battery, fitted.", CAR)] = None,
    charge_max_kw: Annotated[str | None, _option("--charge-max-kw", "KW", "highest charging power.", CHARGER)] = None,
    charge_min_kw: Annotated[str | None, _option("--charge-min-kw", "KW", "lowest charging power.", CHARGER)] = None,
    discharge_max_kw: Annotated[
        str | None, _option("--discharge-max-kw", "KW", "highest discharging power.", CHARGER)
    ] = None,
    discharge_min_kw: Annotated[
        str | None, _option("--discharge-min-kw", "KW", "lowest discharging power.", CHARGER)
    ] = None,
    discharge_to: Annotated[
        str | None, _option("--discharge-to", "TO", "building, or building-and-grid.", CHARGER)
    ] = None,
    set_by: Annotated[
        str | None, _option("--set-by", "WHO", "who sets it: myself, timer (it has one), or itself.", CHARGER)
    ] = None,
    power_in: Annotated[str | None, _option("--power-in", "UNIT", "its power is set in kw or amps.", CHARGER)] = None,
    setting_worth: Annotated[
        str | None, _option("--setting-worth", "X", "what being spared one setting is worth to you, or usual.", CHARGER)
    ] = None,
    settings_between: Annotated[
        str | None, _option("--settings-between", "HOURS", "clock times between which you set it.", CHARGER)
    ] = None,
    volts: Annotated[str | None, _option("--volts", "V", "between phase and neutral.", CHARGER)] = None,
    phases: Annotated[str | None, _option("--phases", "N", "1, 2 or 3.", CHARGER)] = None,
    solar: Annotated[bool | None, typer.Option("--solar/--no-solar", help="Whether there are solar panels.")] = None,
    currency: Annotated[str | None, _option("--currency", "CODE", "ISO 4217, three letters.", OFFER)] = None,
    offer_name: Annotated[str | None, _option("--offer-name", "TEXT", "its name.", OFFER)] = None,
    daily_fee: Annotated[str | None, _option("--daily-fee", "X", "standing charge per day.", OFFER)] = None,
    day_price: Annotated[str | None, _option("--day-price", "X", "price per kWh bought.", OFFER)] = None,
    night_price: Annotated[str | None, _option("--night-price", "X", "price at night, or none.", OFFER)] = None,
    night_hours: Annotated[str | None, _option("--night-hours", "HOURS", 'such as "23:00-07:00".', OFFER)] = None,
    export_price: Annotated[
        str | None, _option("--export-price", "X", "price per kWh sent to the grid.", OFFER)
    ] = None,
    feed_in_price: Annotated[
        str | None, _option("--feed-in-price", "X", "price per kWh sent in the evening, or none.", OFFER)
    ] = None,
    feed_in_hours: Annotated[str | None, _option("--feed-in-hours", "HOURS", 'such as "18:00-21:00".', OFFER)] = None,
    usual_trips: Annotated[
        str | None, _option("--usual-trips", "TRIPS", 'Such as "mon-fri 07:30-17:30 30km"; several with ";" between.')
    ] = None,
    soc: Annotated[str | None, _option("--soc", "PERCENT", "Make a first plan at this state of charge.")] = None,
    allow_unusual: Annotated[
        bool, typer.Option("--allow-unusual", help="Take prices and lowest powers that are most likely a slip.")
    ] = False,
    ask: Annotated[bool, typer.Option("--ask", help="Ask for what is missing even if this is not a terminal.")] = False,
) -> None:
    """Write a commented site to start from; on a terminal, ask for what no option gives.

    An answer "<" goes back. What was answered is kept until the last question, so the same command goes on from there.
    It ends with a check and a first plan.
    """
    given = {key: value for key, value in locals().items() if key not in ("folder", "ask", "solar", "allow_unusual")}
    given["solar"] = None if solar is None else "yes" if solar else "no"
    given["allow_unusual"] = "yes" if allow_unusual else None

    from datetime import UTC, datetime

    from scheduler.inputs.new_site import check_folder, write_new_site
    from scheduler.inputs.new_site_answers import answers_file, keep_answers, kept_answers
    from scheduler.inputs.new_site_questions import find_answers

    may_ask = ask or (sys.stdin is not None and sys.stdin.isatty())
    with failures_told():
        check_folder(folder)
        kept = answers_file(folder)
        before = kept_answers(kept) if may_ask else {}
        if may_ask:
            typer.echo('Press Enter for the answer in brackets; "<" goes back a question; Ctrl-C stops.')
        if before:
            typer.echo(f"Going on after the {len(before)} answers of last time, from {kept}; delete it to begin anew.")
        try:
            answers = find_answers(given, _ask if may_ask else None, before, lambda texts: keep_answers(kept, texts))
        except typer.Abort:
            there = f" Your answers are kept in {kept}; the same command goes on." if kept.exists() else ""
            typer.echo(f"\nStopped before the last question; nothing was written to {folder}.{there}", err=True)
            raise typer.Exit(INPUT_AT_FAULT) from None
        first_soc = answers.pop("soc")
        write_new_site(folder, _site(answers), datetime.now(UTC))
        if may_ask:
            kept.unlink(missing_ok=True)
    placeholders, are = (
        ("load.csv and solar.csv", "are placeholders") if answers["solar"] else ("load.csv", "is a placeholder")
    )
    typer.echo(
        f"Written to {folder}. {placeholders} {are}: put your own meter's data there (start,kw) before you act on a "
        f"plan; READ-ME-FIRST.txt says how."
    )
    if first_soc is None:
        typer.echo(f"Try: overnight plan {shlex.quote(str(folder))} --soc 70")
    if may_ask or first_soc is not None:
        typer.echo(f"\novernight check {shlex.quote(str(folder))}")
        check(folder)
    if first_soc is not None:
        typer.echo(f"\novernight plan {shlex.quote(str(folder))} --soc {first_soc:g}\n")
        with suppress(typer.Exit):
            make_plan(TonightOptions(site=folder, soc=first_soc))


def _site(answers: Answers) -> Any:
    """Return the answers as `write_new_site` takes them."""
    from scheduler.inputs.new_site import NewSite

    whole = {key: value for key, value in answers.items() if not key.endswith("_hours")}
    for band in ("night", "feed_in"):
        whole[f"{band}_from"], whole[f"{band}_to"] = answers[f"{band}_hours"]
    return NewSite(**whole)


def _ask(question: Question, others: Mapping[str, Any], default: str | None) -> str | None:
    """Ask until the answer is valid; return it as typed, or None to go back."""
    while True:
        text = str(typer.prompt(question.text, default=default))
        if text.strip() == BACK:
            return None
        _, problem = question.read(text, others)
        if problem is None:
            return text
        typer.echo(f"  {problem[0].upper()}{problem[1:]}{'' if problem.endswith('?') else '.'}")
