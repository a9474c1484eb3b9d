"""`netcheck compare`: what a change of the circuit does, before against after."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from netcheck.cli.choices import USUAL_DUTY, KeepDeckOption, settings_of
from netcheck.cli.limits import BudgetOption, LimitOption, budget_of
from netcheck.cli.shell import (
    DutyOption,
    FrequencyOption,
    JobsOption,
    ListFormat,
    ListFormatOption,
    OutputOption,
    TubesOption,
    check_readable,
    guarded,
    print_report,
    print_whole,
)


@guarded
def compare(
    before: Annotated[
        Path,
        typer.Argument(
            metavar="BEFORE", help="The netlist or schematic before.", show_default=False
        ),
    ],
    after: Annotated[
        Path,
        typer.Argument(metavar="AFTER", help="The netlist or schematic after.", show_default=False),
    ],
    idle_only: Annotated[
        bool, typer.Option("--idle-only", help="Operating points only, without a signal.")
    ] = False,
    format: ListFormatOption = ListFormat.TEXT,
    output: OutputOption = None,
    jobs: JobsOption = None,
    frequency: FrequencyOption = "1kHz",
    duty: DutyOption = USUAL_DUTY,
    tubes: TubesOption = None,
    limit: LimitOption = None,
    keep_deck: KeepDeckOption = None,
    budget: BudgetOption = None,
    show_all: Annotated[
        bool, typer.Option("--all", help="Show every row, also what did not move.")
    ] = False,
) -> int:
    """Audit two netlists and show what got better and what got worse."""
    from netcheck import pipeline
    from netcheck.models.comparison import compare as compared
    from netcheck.report import to_compare, to_json
    from netcheck.report.files import check_output, write_whole
    from netcheck.report.progress import progress_for_terminal

    for file in (before, after):
        check_readable(file)
        if output is not None:
            check_output(output, file)
    options = replace(
        settings_of(jobs, tubes, limit, frequency=frequency, keep_deck=keep_deck, duty=duty),
        idle_only=idle_only,
        budget=budget_of(budget),
    )
    with progress_for_terminal() as progress:
        audits = pipeline.compare((before, after), options, progress)
    comparison = compared(*audits)
    as_json = format is ListFormat.JSON
    if output is not None or as_json:
        text = (
            to_json.render(comparison)
            if as_json
            else to_compare.render(comparison, show_all=show_all)
        )
        if output is not None:
            write_whole(output, text)
        else:
            print_whole(text)
    else:
        print_report(lambda console: to_compare.write(comparison, console, show_all=show_all))
    return 0
