"""The command line: arguments in, a report and an exit code out; no engineering.

Exit codes: 0 nothing at or above the threshold; 1 findings; 2 the question could
not be answered (wrong usage, bad netlist, the healthy circuit does not solve, no
ngspice); 70 a bug of ours; 130 stopped by Ctrl-C.

One command a file.  Only the argument parser is imported at the top; each command
imports what it needs, so that `--version` and an idle audit start fast.
"""

from __future__ import annotations

import gc
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck import __version__
from netcheck.cli.annotate import annotate
from netcheck.cli.audit import audit
from netcheck.cli.compare import compare
from netcheck.cli.convert import convert
from netcheck.cli.diagnose import diagnose
from netcheck.cli.draw import draw
from netcheck.cli.expect import expect
from netcheck.cli.faults import faults
from netcheck.cli.fit import fit
from netcheck.cli.gate import gate
from netcheck.cli.help import help
from netcheck.cli.shell import Command
from netcheck.cli.sweep import sweep
from netcheck.cli.tubes import tubes

if TYPE_CHECKING:
    from netcheck.solve.ngspice import Engine

OBJECTS_BETWEEN_COLLECTIONS = 100_000
"""Loading modules makes many objects and leaves few cycles: with Python's own
threshold of 700 a fifth of the start goes into looking for garbage."""

WIDEST_HELP = 10_000
"""Columns; so many that the width of the terminal decides."""

app = typer.Typer(
    name="netcheck",
    help="Find which fault of a vacuum-tube amplifier would overheat which part.",
    epilog="Exit codes: 0 nothing at or above the threshold, 1 findings, 2 the question could "
    "not be answered, 70 a bug of netcheck, 130 interrupted.",
    context_settings={
        "help_option_names": ["-h", "--help"],
        "max_content_width": WIDEST_HELP,
    },
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def main() -> None:
    """Run the program."""
    gc.set_threshold(OBJECTS_BETWEEN_COLLECTIONS)
    try:
        app()
    finally:
        gc.freeze()  # all goes with the process: a last search for garbage is time lost


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"netcheck {__version__}")
        typer.echo(_solver_line())
        raise typer.Exit


def _solver_line() -> str:
    """Say which ngspice is used and where it is, or why there is none.

    A worker is asked, for one that loads the library also tries it out.
    """
    from netcheck.errors import SolverUnavailableError
    from netcheck.solve.pool import Job, Lost, Pool
    from netcheck.source import printable

    try:
        with Pool(jobs=1) as pool:
            (found,) = pool.run([Job(_library_of, ())])
    except SolverUnavailableError as error:
        return printable(f"no ngspice: {error.message}")
    if isinstance(found, Lost):
        return f"no ngspice: {found.reason}"
    return printable(f"{pool.engine} ({found})")


def _library_of(engine: Engine) -> str:
    return engine.library


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option(
            "--version",
            callback=_show_version,
            is_eager=True,
            help="Show the versions of netcheck and ngspice, and exit.",
        ),
    ] = False,
) -> None:
    """Find which fault of a vacuum-tube amplifier would overheat which part."""


for command in (
    *(audit, sweep, compare, expect, diagnose, annotate, draw, convert),
    *(tubes, faults, fit, gate, help),
):
    app.command(cls=Command, short_help=command.__doc__)(command)
