"""`netcheck expect`: the bench sheet, what a sound unit measures in the order of the bench."""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.choices import (
    USUAL_METER,
    BenchMainsOption,
    BenchMeterOption,
    BenchSeedOption,
    KeepDeckOption,
    mains_band,
    settings_of,
)
from netcheck.cli.limits import LimitOption
from netcheck.cli.shell import (
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

if TYPE_CHECKING:
    from netcheck.diagnose.bench_sheet import SheetOptions
    from netcheck.models.sheet import BenchSheet
    from netcheck.workbench.settings import Settings


class SheetFormat(StrEnum):
    """Output formats."""

    TEXT = "text"
    CSV = "csv"
    HTML = "html"


@guarded
def expect(
    file: NetlistArgument,
    format: Annotated[
        SheetFormat,
        typer.Option(
            "--format", metavar=one_of(SheetFormat), help="Readable text, CSV, or HTML to print."
        ),
    ] = SheetFormat.TEXT,
    output: OutputOption = None,
    meter: BenchMeterOption = USUAL_METER,
    lamp: Annotated[
        str | None,
        typer.Option(
            "--lamp", metavar="LAMP", help="Also a first power-up behind a lamp, such as 60W@230V."
        ),
    ] = None,
    mains: BenchMainsOption = "230V",
    draws: Annotated[
        int,
        typer.Option("--draws", metavar="N", min=20, max=10_000, help="Units drawn for the bands."),
    ] = 200,
    seed: BenchSeedOption = 1,
    jobs: JobsOption = None,
    tubes: TubesOption = None,
    limit: LimitOption = None,
    keep_deck: KeepDeckOption = None,
) -> int:
    """Print the bench sheet: what to measure in which order, and what to expect."""
    from netcheck.report.files import check_output, write_whole

    check_readable(file)
    if output is not None:
        check_output(output, file)
    options = replace(settings_of(jobs, tubes, limit, keep_deck=keep_deck), idle_only=True)
    sheet = _run(file, options, _sheet_options(meter, lamp, mains, draws, seed))
    if output is not None:
        write_whole(output, _rendered(sheet, format))
    elif format is SheetFormat.TEXT:
        from netcheck.report import expect_text

        print_report(lambda console: expect_text.write(sheet, console))
    else:
        print_whole(_rendered(sheet, format))
    return 0


def _sheet_options(meter: str, lamp: str | None, mains: str, draws: int, seed: int) -> SheetOptions:
    from netcheck.diagnose.bench_sheet import SheetOptions
    from netcheck.diagnose.lamp import parse_lamp
    from netcheck.diagnose.meters import parse_meter

    band = mains_band(mains)
    return SheetOptions(parse_meter(meter), band, parse_lamp(lamp) if lamp else None, draws, seed)


def _run(file: Path, options: Settings, wanted: SheetOptions) -> BenchSheet:
    from netcheck.diagnose.bench_sheet import bench_sheet
    from netcheck.models.facts import shown_file
    from netcheck.pipeline import load_circuit
    from netcheck.report.progress import progress_for_terminal
    from netcheck.workbench.settings import pool_of

    circuit = load_circuit(file, options.tubes, options.read_limits)
    with (
        progress_for_terminal() as progress,
        pool_of(options) as pool,
    ):
        return bench_sheet(circuit, shown_file(file.as_posix()), wanted, pool, progress)


def _rendered(sheet: BenchSheet, format: SheetFormat) -> str:
    if format is SheetFormat.CSV:
        from netcheck.report import to_csv

        return to_csv.render_sheet(sheet)
    if format is SheetFormat.HTML:
        from netcheck.report import expect_html

        return expect_html.render(sheet)
    from netcheck.report import expect_text

    return expect_text.render(sheet)
