"""What a command over many rolled nights says when it fails, and its exit code; what is finished is kept."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import typer

from scheduler.exit_codes import INPUT_AT_FAULT, INTERRUPTED, NO_PLAN, REFUSED
from scheduler.faults import InputFaults
from scheduler.replay import PlanRefused
from scheduler.runs_over_cores import WorkersLostError
from scheduler.solver_stages import NoPlanError
from scheduler.write_plan import NotWrittenError


@contextmanager
def failures_told(folder: Path, run: str) -> Iterator[None]:
    """Turn every expected failure into a message on standard error and an exit code.

    Parameters
    ----------
    folder : where finished runs are kept. run : what they are called, "year" or "run".
    """
    goes_on = f"Finished {run}s are kept in {folder}; the same command goes on from there."
    try:
        yield
    except (InputFaults, NotWrittenError) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(INPUT_AT_FAULT) from None
    except NoPlanError as error:
        typer.echo(f"The solver gave no plan: {error}.", err=True)
        raise typer.Exit(NO_PLAN) from None
    except PlanRefused as refused:
        typer.echo(f"Replay refused a night; its {run} was not kept:\n" + "\n".join(refused.broken), err=True)
        raise typer.Exit(REFUSED) from None
    except WorkersLostError as lost:
        typer.echo(f"{lost}. {goes_on}", err=True)
        raise typer.Exit(NO_PLAN) from None
    except KeyboardInterrupt:
        typer.echo(f"Interrupted. {goes_on}", err=True)
        raise typer.Exit(INTERRUPTED) from None
