"""Say what is wrong with a command line in the form of every other fault: where, what, and what is expected."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import typer
from typer.core import TyperGroup

from scheduler.textio.errors import InputFaults, did_you_mean, shown, single_fault
from scheduler.textio.exit_codes import INPUT_AT_FAULT

UsageError: Any = typer.BadParameter.__mro__[1]
"""What Typer raises where it cannot read a command line; its module is another one in each version of Typer."""


class Commands(TyperGroup):
    """The commands, whose faults of usage are one line on standard error; `--help` is Typer's."""

    def make_context(self, *given: Any, **named: Any) -> Any:
        """Read the words before the command."""
        with _usage_told():
            return super().make_context(*given, **named)

    def invoke(self, ctx: Any) -> Any:
        """Read the command's own words and run it."""
        with _usage_told():
            return super().invoke(ctx)


@contextmanager
def _usage_told() -> Iterator[None]:
    try:
        yield
    except InputFaults as error:  # an option that its own parser refuses
        typer.echo(str(error), err=True)
        raise typer.Exit(INPUT_AT_FAULT) from None
    except UsageError as error:
        if type(error).__name__ == "NoArgsIsHelpError":  # its text is the help
            raise
        typer.echo(str(usage_fault(error)), err=True)
        raise typer.Exit(INPUT_AT_FAULT) from None


def usage_fault(error: Any) -> Exception:
    """Return a fault of usage in the words of this tool; the framework's own where it is of no known kind."""
    kind, message = type(error).__name__, error.format_message()
    param = getattr(error, "param", None)
    name = ""
    if param is not None:
        name = param.opts[0] if param.opts[0].startswith("-") else param.metavar or param.name.upper()
    if kind == "MissingParameter":
        return single_fault(name, "none given; expected a value")
    if kind == "BadParameter" and name:
        return single_fault(name, f"found {shown(_given(error))}; expected {_expected(error.message)}")
    if kind == "NoSuchOption":
        known = [option for each in error.ctx.command.params for option in each.opts if option.startswith("-")]
        return single_fault(error.option_name, f"there is no such option{did_you_mean(error.option_name, known)}")
    if kind == "BadOptionUsage":
        flag = "does not take a value" in message
        return single_fault(error.option_name, "takes no value" if flag else "no value given; expected one after it")
    if found := re.match(r"No such command '(.*?)'\.", message):
        return single_fault(found[1], f"there is no such command{did_you_mean(found[1], error.ctx.command.commands)}")
    if found := re.match(r"Got unexpected extra arguments?(?:\(s\))? \((.*)\)", message):
        return single_fault(found[1], "more than this command takes; expected it in quotes if it has blanks")
    return single_fault("command line", message)


def _given(error: Any) -> object:
    """Return the value that could not be read: as Typer passed it on, else as the message quotes it."""
    errors = getattr(error.__cause__, "errors", None)
    if errors is not None:
        return errors()[0]["input"]
    quoted = re.search(r"'(.*?)' is not", error.message)
    return quoted[1] if quoted else error.message


def _expected(message: str) -> str:
    """Return what an option takes, from the framework's message.

    Examples
    --------
    >>> _expected("'pdf' is not one of 'calendar', 'ocpp21'.")
    'calendar or ocpp21'
    >>> _expected("Input should be a valid number, unable to parse string as a number")
    'a number'
    """
    if " is not one of " in message:
        choices = re.findall(r"'([^']*)'", message.rpartition(" is not one of ")[2])
        return " or ".join([", ".join(choices[:-1]), choices[-1]] if len(choices) > 1 else choices)
    for word, expected in (("integer", "a whole number"), ("number", "a number"), ("float", "a number")):
        if word in message:
            return expected
    return f"another value: {message}"
