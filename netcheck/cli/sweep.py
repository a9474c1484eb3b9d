"""`netcheck sweep`: one fault from nearly healthy to its worst, as a table and a plot."""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.choices import USUAL_DUTY, KeepDeckOption, settings_of
from netcheck.cli.limits import BudgetOption, LimitOption, budget_of
from netcheck.cli.shell import (
    DutyOption,
    FrequencyOption,
    JobsOption,
    NetlistArgument,
    OutputOption,
    TubesOption,
    check_readable,
    guarded,
    one_of,
    print_report,
    print_whole,
)
from netcheck.errors import NetcheckError

if TYPE_CHECKING:
    from netcheck.models.sweep import SweepCurve
    from netcheck.workbench.settings import Settings

FEWEST, MOST, USUAL = 3, 1000, 21


class SweepFormat(StrEnum):
    """Output formats."""

    TEXT = "text"
    JSON = "json"
    CSV = "csv"


PointsOption = Annotated[
    int,
    typer.Option("--points", metavar="N", min=FEWEST, max=MOST, help="Sizes from end to end."),
]
PlotOption = Annotated[
    Path | None,
    typer.Option("--plot", metavar="FILE", help="Draw the idle curves to this .png or .svg."),
]


@guarded
def sweep(
    file: NetlistArgument,
    part: Annotated[
        str, typer.Argument(metavar="PART", help="A part; R31+R32 for two.", show_default=False)
    ],
    kind: Annotated[
        str,
        typer.Argument(
            metavar="KIND", help="A kind of fault with a size, as in ids.", show_default=False
        ),
    ],
    points: PointsOption = USUAL,
    driven: Annotated[
        bool, typer.Option("--driven", help="Also solve every size under drive.")
    ] = False,
    plot: PlotOption = None,
    tube: Annotated[
        str,
        typer.Option("--tube", metavar="TUBE", help="Show this tube, not the one that moves most."),
    ] = "",
    format: Annotated[
        SweepFormat,
        typer.Option("--format", metavar=one_of(SweepFormat), help="Readable text, JSON or CSV."),
    ] = SweepFormat.TEXT,
    output: OutputOption = None,
    jobs: JobsOption = None,
    frequency: FrequencyOption = "1kHz",
    duty: DutyOption = USUAL_DUTY,
    tubes: TubesOption = None,
    limit: LimitOption = None,
    keep_deck: KeepDeckOption = None,
    budget: BudgetOption = None,
) -> int:
    """Solve one fault from nearly healthy to its worst, and mark where it tips."""
    from netcheck.report.files import check_output, write_whole

    check_readable(file)
    for target in (output, plot):
        if target is not None:
            check_output(target, file)
    if plot is not None:
        _check_image(plot)
    options = replace(
        settings_of(jobs, tubes, limit, frequency=frequency, keep_deck=keep_deck, duty=duty),
        idle_only=not driven,
        budget=budget_of(budget),
    )
    curve = _run(file, (part, kind), points, options)
    shown = _tube(curve, tube)
    if plot is not None:
        from netcheck.report import sweep_plot

        write_whole(plot, sweep_plot.draw(curve, plot, tube=shown))
    if output is not None:
        write_whole(output, _rendered(curve, format, shown))
    else:
        _print(curve, format, shown)
    return 0


def _check_image(plot: Path) -> None:
    from netcheck.report.tube_plot import image_format

    image_format(plot)


def _run(file: Path, which: tuple[str, str], points: int, options: Settings) -> SweepCurve:
    from netcheck import pipeline
    from netcheck.report.progress import progress_for_terminal

    with progress_for_terminal() as progress:
        return pipeline.sweep(file, which, points, options, progress)


def _print(curve: SweepCurve, format: SweepFormat, tube: str) -> None:
    if format is not SweepFormat.TEXT:
        print_whole(_rendered(curve, format, tube))
        return
    from netcheck.report import to_sweep

    print_report(lambda console: to_sweep.write(curve, console, tube))


def _rendered(curve: SweepCurve, format: SweepFormat, tube: str) -> str:
    if format is SweepFormat.TEXT:
        from netcheck.report import to_sweep

        return to_sweep.render(curve, tube)
    from netcheck.report import to_csv, to_json

    return to_csv.render_sweep(curve) if format is SweepFormat.CSV else to_json.render(curve)


def _tube(curve: SweepCurve, wanted: str) -> str:
    if not wanted:
        return ""
    known = curve.tubes()
    for ref in known:
        if ref.casefold() == wanted.casefold():
            return ref
    raise NetcheckError(f"--tube: there is no tube {wanted}", hint=f"there are: {', '.join(known)}")
