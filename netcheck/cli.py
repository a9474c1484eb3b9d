"""The command line: arguments in, a report and an exit code out; no engineering.

Exit codes: 0 nothing at or above the threshold; 1 findings; 2 the question could
not be answered (wrong usage, bad netlist, the healthy circuit does not solve, no
ngspice); 70 a bug of ours; 130 stopped by Ctrl-C.

The threshold (`--fail-at`) judges the healthy circuit: a finding of level error,
or a healthy part over (or at) a limit.  That a fault can overheat something is
true of every amplifier and fails nothing.

Only the argument parser is imported at the top; each command imports what it
needs, so that `--version` and an idle audit start fast.
"""

from __future__ import annotations

import functools
import gc
import os
import sys
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ParamSpec

import typer

from netcheck import __version__
from netcheck.errors import ManyErrors, NetcheckError

if TYPE_CHECKING:
    from rich.console import Console

    from netcheck.report.model import Audit

EXIT_FINDINGS = 1
EXIT_UNANSWERED = 2
EXIT_BUG = 70
EXIT_INTERRUPTED = 130
TRACEBACK_VARIABLE = "NETCHECK_TRACEBACK"
OBJECTS_BETWEEN_COLLECTIONS = 100_000
"""Loading modules makes many objects and leaves few cycles: with Python's own
threshold of 700 a fifth of the start goes into looking for garbage."""

Arguments = ParamSpec("Arguments")

app = typer.Typer(
    name="netcheck",
    help="Find which fault of a vacuum-tube amplifier would overheat which part.",
    epilog="Exit codes: 0 nothing at or above the threshold, 1 findings, 2 the question could "
    "not be answered, 70 a bug of netcheck, 130 interrupted.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class Format(StrEnum):
    """Output formats."""

    TEXT = "text"
    JSON = "json"


class FailAt(StrEnum):
    """What of the healthy circuit makes the exit code 1."""

    OVER_LIMIT = "over_limit"
    AT_LIMIT = "at_limit"
    NEVER = "never"


FormatOption = Annotated[Format, typer.Option("--format", help="Readable text, or JSON.")]


def main() -> None:
    """Run the program."""
    gc.set_threshold(OBJECTS_BETWEEN_COLLECTIONS)
    try:
        app()
    finally:
        gc.freeze()  # all goes with the process: a last search for garbage is time lost


def _guarded(command: Callable[Arguments, int]) -> Callable[Arguments, None]:
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


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"netcheck {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_show_version, is_eager=True, help="Show the version and exit."
        ),
    ] = False,
) -> None:
    """Find which fault of a vacuum-tube amplifier would overheat which part."""


@app.command()
@_guarded
def audit(
    file: Annotated[Path, typer.Argument(help="The netlist.", show_default=False)],
    format: FormatOption = Format.TEXT,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Write here instead of standard output.")
    ] = None,
    idle_only: Annotated[
        bool, typer.Option("--idle-only", help="Operating points only, without a signal.")
    ] = False,
    jobs: Annotated[
        int | None,
        typer.Option("--jobs", "-j", min=1, help="Worker processes; default all cores."),
    ] = None,
    meter: Annotated[
        str, typer.Option("--meter", help="Input resistance of the meter, or `none`.")
    ] = "10Mohm",
    frequency: Annotated[
        str, typer.Option("--frequency", help="Frequency of the driving sine.")
    ] = "1kHz",
    show_all: Annotated[bool, typer.Option("--all", help="Show every row of the report.")] = False,
    fail_at: Annotated[
        FailAt,
        typer.Option(
            "--fail-at",
            help="Exit with 1 if the HEALTHY circuit has an error finding or a part over "
            "(or at) a limit.",
        ),
    ] = FailAt.OVER_LIMIT,
) -> int:
    """Solve a netlist healthy and faulted, and rank what would overheat what."""
    from netcheck.report.files import check_output, write_whole

    _check_readable(file)
    if output is not None:
        check_output(output, file)
    result = _run_audit(file, idle_only, jobs, meter, frequency)
    if output is not None:
        write_whole(output, _rendered(result, format, show_all))
    elif format is Format.JSON:
        _print_whole(_rendered(result, format, show_all))
    else:
        from netcheck.report import to_terminal

        _print_report(lambda console: to_terminal.write(result, console, show_all=show_all))
    return _verdict_code(result, fail_at)


def _check_readable(file: Path) -> None:
    if file.is_dir():
        raise NetcheckError(f"{file} is a folder", hint="give the name of a netlist in it")
    if not file.exists():
        raise NetcheckError(f"there is no file {file}")


def _run_audit(file: Path, idle_only: bool, jobs: int | None, meter: str, frequency: str) -> Audit:
    from netcheck import pipeline
    from netcheck.report.progress import progress_for_terminal

    options = pipeline.AuditOptions(
        idle_only=idle_only,
        jobs=jobs,
        meter_ohm=_positive(meter, "ohm", "--meter") if meter.lower() != "none" else None,
        frequency_hz=_positive(frequency, "Hz", "--frequency"),
    )
    with progress_for_terminal() as progress:
        return pipeline.audit(file, options, progress)


def _positive(text: str, unit: str, option: str) -> float:
    from netcheck.units import parse_quantity

    try:
        value = parse_quantity(text, unit)
    except NetcheckError as error:
        raise NetcheckError(f"{option}: {error.message}", hint=error.hint) from error
    if value <= 0:
        raise NetcheckError(f"{option}: {text} has to be more than zero")
    return value


def _rendered(result: Audit, format: Format, show_all: bool) -> str:
    if format is Format.JSON:
        from netcheck.report import to_json

        return to_json.render(result)
    from netcheck.report import to_terminal

    return to_terminal.render(result, show_all=show_all)


def _print_whole(text: str) -> None:
    """Write to standard output; a reader who left early is no error."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        _let_go_of_stdout()


def _print_report(write: Callable[[Console], None]) -> None:
    from netcheck.report.console import make_console, plain_text

    if not sys.stdout.isatty() and "FORCE_COLOR" not in os.environ:
        _print_whole(plain_text(write))
        return
    try:
        write(make_console(sys.stdout))
        sys.stdout.flush()
    except BrokenPipeError:
        _let_go_of_stdout()


def _let_go_of_stdout() -> None:
    """Point standard output nowhere, so that its flush at exit does not complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _verdict_code(result: Audit, fail_at: FailAt) -> int:
    from netcheck.report.facts import healthy_verdict

    if fail_at is FailAt.NEVER:
        return 0
    failing = {"over_limit"} if fail_at is FailAt.OVER_LIMIT else {"over_limit", "at_limit"}
    wrong = any(finding.level == "error" for finding in result.findings)
    return EXIT_FINDINGS if wrong or healthy_verdict(result) in failing else 0


@app.command()
@_guarded
def tubes(
    name: Annotated[
        str | None, typer.Argument(metavar="[TYPE]", help="One type, in full.", show_default=False)
    ] = None,
    format: FormatOption = Format.TEXT,
) -> int:
    """List the tube types on file: pins, limits, and the source of each number."""
    from netcheck.report import tube_list
    from netcheck.tubes.library import load_library

    library = load_library()
    found = tube_list.look_up(library, name) if name is not None else None
    types = (found.type,) if found else library.all_types()
    if format is Format.JSON:
        _print_whole(tube_list.to_json(types))
    elif found:
        _print_report(lambda console: tube_list.write_type(console, found))
    else:
        _print_report(lambda console: tube_list.write_types(console, types))
    return 0


@app.command()
@_guarded
def faults(format: FormatOption = Format.TEXT) -> int:
    """List the kinds of fault: how each is modelled, and how likely it is."""
    from netcheck.faults import FAULT_KINDS
    from netcheck.report import fault_list

    if format is Format.JSON:
        _print_whole(fault_list.to_json(FAULT_KINDS))
    else:
        _print_report(lambda console: fault_list.write(console, FAULT_KINDS))
    return 0
