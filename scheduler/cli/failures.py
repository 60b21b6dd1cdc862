"""Turn failures of commands into messages and exit codes."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any, NoReturn

import typer

from scheduler.textio.errors import InputFaults, NotWrittenError
from scheduler.textio.exit_codes import INPUT_AT_FAULT, INTERRUPTED, NO_PLAN, REFUSED

ENDING = ("SIGTERM", "SIGHUP")


class MissingExtraError(Exception):
    """Packages that a command needs are not installed. The text says how to install them."""


def require(packages: Sequence[str], extra: str) -> None:
    """Refuse to begin without packages.

    Parameters
    ----------
    packages : names as they are imported. extra : extra of this distribution that installs them.

    Raises
    ------
    MissingExtraError : one is not installed.
    """
    missing = [name for name in packages if find_spec(name) is None]
    if missing:
        raise MissingExtraError(
            f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} not installed; "
            f"python -m pip install 'overnight-scheduler[{extra}]' installs what this command needs."
        )


@contextmanager
def failures_told(folder: Path | None = None, run: str = "") -> Iterator[None]:
    """Turn every expected failure into a message on standard error and an exit code.

    Parameters
    ----------
    folder : where a command over many nights saves what is finished; SIGTERM and SIGHUP then interrupt as Ctrl-C does.
    run : what is saved, "year" or "run".
    """
    goes_on = f" Finished {run}s are saved in {folder}; the same command goes on from there."
    before = {} if folder is None else _signals_interrupt()
    try:
        yield
    except (InputFaults, NotWrittenError, MissingExtraError) as error:
        _leave(str(error), INPUT_AT_FAULT)
    except KeyboardInterrupt:
        _leave(f"Interrupted.{goes_on if folder is not None and folder.exists() else ''}", INTERRUPTED)
    except (typer.Exit, typer.Abort):
        raise
    except Exception as error:
        _leave_unplanned(error, run, goes_on)
        raise
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _leave_unplanned(error: Exception, run: str, goes_on: str) -> None:
    """Leave if no plan was made; imported here, as these modules are loaded by then but slow to load otherwise."""
    from scheduler.optimizer.lexicographic import NoPlanError
    from scheduler.plans.replay import PlanRefused
    from scheduler.rolling.process_pool import WorkersLostError

    if isinstance(error, NoPlanError):
        _leave(f"The solver found no plan: {error}.", NO_PLAN)
    if isinstance(error, PlanRefused):
        what = f"a night; its {run} was not saved" if run else "the plan; nothing was written"
        _leave("\n".join((f"Replay refused {what}:", *error.broken)), REFUSED)
    if isinstance(error, WorkersLostError):
        _leave(f"{error}.{goes_on}", NO_PLAN)


def _leave(message: str, code: int) -> NoReturn:
    """Print a message on standard error, and leave with an exit code."""
    typer.echo(message, err=True)
    raise typer.Exit(code) from None


def _signals_interrupt() -> dict[signal.Signals, Any]:
    """Have SIGTERM and SIGHUP interrupt as Ctrl-C does; return the handlers they had."""
    if threading.current_thread() is not threading.main_thread():
        return {}
    wanted = [signal.Signals[name] for name in ENDING if hasattr(signal, name)]
    return {number: signal.signal(number, signal.default_int_handler) for number in wanted}
