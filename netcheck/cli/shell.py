"""What every command shares: exit codes, the guard, and printing.

A command returns its exit code or raises; `guarded` turns that into the code of the
process and one clear message.  Output goes out whole, and a reader who left early
is no error.
"""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ParamSpec

import typer
from typer.core import TyperCommand

from netcheck import __version__
from netcheck.errors import ManyErrors, NetcheckError

if TYPE_CHECKING:
    from rich.console import Console

EXIT_FINDINGS = 1
EXIT_UNANSWERED = 2
EXIT_BUG = 70
EXIT_INTERRUPTED = 130
TRACEBACK_VARIABLE = "NETCHECK_TRACEBACK"

Arguments = ParamSpec("Arguments")


class Command(TyperCommand):
    """A command whose help names its arguments by the usual placeholders.

    The parser's own words would be `{file} <path>`; a placeholder says what is meant.
    """

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Return what follows the name of the command in the line of usage."""
        arguments = (one for one in self.get_params(ctx) if one.param_type_name == "argument")
        return ["[OPTIONS]", *(_placeholder(argument) for argument in arguments)]

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write the arguments, each under its placeholder, and the options."""
        kinds: dict[str, list[tuple[str, str]]] = {"argument": [], "option": []}
        for one in self.get_params(ctx):
            if record := one.get_help_record(ctx):
                name = _placeholder(one) if one.param_type_name == "argument" else record[0]
                kinds[one.param_type_name].append((name, record[1]))
        for kind, rows in kinds.items():
            if rows:
                with formatter.section(f"{kind.capitalize()}s"):
                    formatter.write_dl(rows)


def _placeholder(argument: Any) -> str:
    """Return how an argument stands in a line of usage: FILE, [FILE] or [FILE]...."""
    name = argument.metavar or str(argument.name).upper()
    return (name if argument.required else f"[{name}]") + ("..." if argument.nargs != 1 else "")


def one_of(words: type[StrEnum]) -> str:
    """Return the placeholder of an option that takes one of some words."""
    return "|".join(words)


class ListFormat(StrEnum):
    """Output formats of a list."""

    TEXT = "text"
    JSON = "json"


ListFormatOption = Annotated[
    ListFormat,
    typer.Option("--format", metavar=one_of(ListFormat), help="Readable text, or JSON."),
]
JobsOption = Annotated[
    int | None,
    typer.Option("--jobs", "-j", metavar="N", min=1, help="Worker processes; default all cores."),
]
NetlistArgument = Annotated[
    Path,
    typer.Argument(metavar="FILE", help="The netlist, or a schematic.", show_default=False),
]
OutputOption = Annotated[
    Path | None,
    typer.Option("--output", "-o", metavar="FILE", help="Write here instead of standard output."),
]
MeterOption = Annotated[
    str, typer.Option("--meter", metavar="METER", help="Input resistance of the meter, or `none`.")
]
TubesOption = Annotated[
    Path | None,
    typer.Option(
        "--tubes",
        metavar="FOLDER",
        envvar="NETCHECK_TUBES",
        help="Folder of data files of your own tube types.",
    ),
]
FrequencyOption = Annotated[
    str, typer.Option("--frequency", metavar="HZ", help="Frequency of the driving sine.")
]
DutyOption = Annotated[
    str,
    typer.Option(
        "--duty",
        metavar="SHARE",
        help="Share of the time at full signal, such as 10%, for heat under drive; 100% is a "
        "continuous sine.",
    ),
]


def guarded(command: Callable[Arguments, int]) -> Callable[Arguments, None]:
    """Turn what a command returns or raises into an exit code and one clear message."""

    @functools.wraps(command)
    def run(*args: Arguments.args, **kwargs: Arguments.kwargs) -> None:
        raise typer.Exit(_exit_code(lambda: command(*args, **kwargs)))

    run.__annotations__["return"] = None
    return run


def _exit_code(command: Callable[[], int]) -> int:
    try:
        return command()
    except NetcheckError as error:
        _complain(_error_text(error))
        return EXIT_UNANSWERED
    except KeyboardInterrupt:
        _complain("interrupted")
        return EXIT_INTERRUPTED
    except typer.Exit:
        raise
    except Exception as error:
        if os.environ.get(TRACEBACK_VARIABLE) == "1":
            import traceback

            traceback.print_exc()
        what = f"{type(error).__name__}: {error}".rstrip(": ")
        _complain(
            f"netcheck {__version__} has a bug ({what}). Please report it with the netlist; "
            f"{TRACEBACK_VARIABLE}=1 shows the traceback."
        )
        return EXIT_BUG


def _error_text(error: NetcheckError) -> str:
    """Return the message, for several mistakes each on its own and then their number."""
    if not isinstance(error, ManyErrors):
        return f"error: {error}"
    each = "\n\n".join(_error_text(one) for one in error.errors)
    return f"{each}\n\n{error.message}"


def _complain(message: str) -> None:
    from netcheck.source import printable

    typer.echo("\n".join(printable(line) for line in message.split("\n")), err=True)


def check_readable(file: Path) -> None:
    """Complain where a netlist is not a file that is there."""
    if file.is_dir():
        raise NetcheckError(f"{file} is a folder", hint="give the name of a netlist in it")
    if not file.exists():
        raise NetcheckError(f"there is no file {file}")


def positive(text: str, unit: str, option: str) -> float:
    """Read the quantity an option was given; it has to be more than zero."""
    from netcheck.units import parse_quantity

    try:
        value = parse_quantity(text, unit)
    except NetcheckError as error:
        raise NetcheckError(f"{option}: {error.message}", hint=error.hint) from error
    if value <= 0:
        raise NetcheckError(f"{option}: {text} has to be more than zero")
    return value


def print_whole(text: str) -> None:
    """Write to standard output; a reader who left early is no error."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        _let_go_of_stdout()


def print_report(write: Callable[[Console], None]) -> None:
    """Let `write` print a report: to a terminal as it is, else as plain text."""
    from netcheck.report.console import make_console, plain_text

    if not sys.stdout.isatty() and "FORCE_COLOR" not in os.environ:
        print_whole(plain_text(write))
        return
    try:
        write(make_console(sys.stdout))
        sys.stdout.flush()
    except BrokenPipeError:
        _let_go_of_stdout()


def _let_go_of_stdout() -> None:
    """Point standard output nowhere, so that its flush at exit does not complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
