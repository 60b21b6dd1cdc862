"""What a command over many rolled nights says when it fails, and its exit code; what is finished is kept."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import typer

from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.plans.replay import PlanRefused
from scheduler.rolling.process_pool import WorkersLostError
from scheduler.textio.errors import InputFaults, NotWrittenError
from scheduler.textio.exit_codes import INPUT_AT_FAULT, INTERRUPTED, NO_PLAN, REFUSED

ENDING = ("SIGTERM", "SIGHUP")


@contextmanager
def failures_told(folder: Path, run: str) -> Iterator[None]:
    """Turn every expected failure into a message on standard error and an exit code.

    Parameters
    ----------
    folder : where finished runs are kept. run : what they are called, "year" or "run".
    """
    goes_on = f"Finished {run}s are kept in {folder}; the same command goes on from there."
    before = _signals_interrupt()
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
        typer.echo(f"Interrupted. {goes_on}" if folder.exists() else "Interrupted.", err=True)
        raise typer.Exit(INTERRUPTED) from None
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _signals_interrupt() -> dict[signal.Signals, Any]:
    """Have requests to end, and a terminal that closes, interrupt as Ctrl-C does; gives the handlers there were."""
    if threading.current_thread() is not threading.main_thread():
        return {}
    wanted = [signal.Signals[name] for name in ENDING if hasattr(signal, name)]
    return {number: signal.signal(number, signal.default_int_handler) for number in wanted}
