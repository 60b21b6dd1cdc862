"""`overnight check SITE`: every fault in a site's files."""

from __future__ import annotations

import json

import typer

from scheduler.cli.failures import failures_told
from scheduler.cli.options import AsJson, OfferFile, SiteFolder
from scheduler.textio.errors import InputFaults
from scheduler.textio.exit_codes import INPUT_AT_FAULT


def check(site: SiteFolder, offer: OfferFile = None, as_json: AsJson = False) -> None:
    """Report every fault in a site's files at once, without planning."""
    from scheduler.inputs.placeholders import placeholder_files, placeholders_say
    from scheduler.inputs.site_inputs import read_inputs

    with failures_told():
        try:
            inputs = read_inputs(site, offer)
        except InputFaults as faults:
            if not as_json:
                raise
            found = [
                {"file": fault.file, "line": fault.line, "key": fault.key, "message": fault.message}
                for fault in faults.told
            ]
            more = {"more": faults.more} if faults.more else {}
            typer.echo(json.dumps({"faults": found, **more}, ensure_ascii=False, indent=2))
            raise typer.Exit(INPUT_AT_FAULT) from None
    if as_json:
        invented = placeholder_files(inputs)
        typer.echo(json.dumps({"faults": [], **({"placeholders": invented} if invented else {})}))
    else:
        names = ", ".join(file.name for file in inputs.files)
        typer.echo(f"{inputs.site.name}: no faults in {names}.")
        if placeholders := placeholder_files(inputs):
            typer.echo(placeholders_say(placeholders))
