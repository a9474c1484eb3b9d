"""`netcheck audit`: solve a netlist healthy and faulted, and rank the faults.

The threshold (`--fail-at`) judges the healthy circuit: a finding of level error,
or a healthy part over (or at) a limit.  That a fault can overheat something is
true of every amplifier and fails nothing.
"""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.at_bench import (
    ReadingOption,
    ReadingsOption,
    SeenOption,
    diagnosis_from,
    handed_over,
    investigation_of,
    opened,
    reader_of,
)
from netcheck.cli.choices import (
    USUAL_DUTY,
    AgeOption,
    Build,
    BuildOption,
    ConditionOption,
    DrawsOption,
    KeepDeckOption,
    KindOption,
    MainsOption,
    PairsOption,
    PartOption,
    RankBy,
    RankOption,
    SeedOption,
    StageOption,
    ToleranceOption,
    settings_of,
    tolerance_options,
)
from netcheck.cli.limits import BudgetOption, LimitOption, budget_of
from netcheck.cli.shell import (
    EXIT_FINDINGS,
    EXIT_INTERRUPTED,
    DutyOption,
    FrequencyOption,
    JobsOption,
    MeterOption,
    NetlistArgument,
    OutputOption,
    TubesOption,
    check_readable,
    guarded,
    one_of,
    positive,
    print_report,
    print_whole,
)
from netcheck.errors import NetcheckError

if TYPE_CHECKING:
    from netcheck.models.audit import Audit
    from netcheck.models.diagnosis import Diagnosis
    from netcheck.workbench.settings import Settings


class Format(StrEnum):
    """Output formats."""

    TEXT = "text"
    JSON = "json"
    SARIF = "sarif"
    JUNIT = "junit"
    GITHUB = "github"
    MARKDOWN = "markdown"
    CSV = "csv"
    HTML = "html"


WALKS_ON_A_PAGE = 10
"""Faults with a slider, the smallest sufficient defect first."""


class FailAt(StrEnum):
    """What of the healthy circuit makes the exit code 1."""

    OVER_LIMIT = "over_limit"
    AT_LIMIT = "at_limit"
    NEVER = "never"


FailAtOption = Annotated[
    FailAt,
    typer.Option(
        "--fail-at",
        metavar=one_of(FailAt),
        help="Exit with 1 if the HEALTHY circuit has an error finding or a part over "
        "(or at) a limit.",
    ),
]


FormatOption = Annotated[
    Format, typer.Option("--format", metavar=one_of(Format), help="How the result is written.")
]
IdleOnlyOption = Annotated[
    bool, typer.Option("--idle-only", help="Operating points only, without a signal.")
]
ShowAllOption = Annotated[bool, typer.Option("--all", help="Show every row of the report.")]


@guarded
def audit(
    file: NetlistArgument,
    format: FormatOption = Format.TEXT,
    output: OutputOption = None,
    idle_only: IdleOnlyOption = False,
    jobs: JobsOption = None,
    meter: MeterOption = "10Mohm",
    frequency: FrequencyOption = "1kHz",
    duty: DutyOption = USUAL_DUTY,
    tubes: TubesOption = None,
    limit: LimitOption = None,
    keep_deck: KeepDeckOption = None,
    budget: BudgetOption = None,
    tolerance: ToleranceOption = False,
    draws: DrawsOption = None,
    seed: SeedOption = None,
    mains: MainsOption = None,
    pairs: PairsOption = False,
    build: BuildOption = Build.UNKNOWN,
    age: AgeOption = None,
    rank_by: RankOption = RankBy.SEVERITY,
    stage: StageOption = "",
    part: PartOption = "",
    kind: KindOption = "",
    condition: ConditionOption = "",
    show_all: ShowAllOption = False,
    fail_at: FailAtOption = FailAt.OVER_LIMIT,
    reading: ReadingOption = None,
    readings: ReadingsOption = None,
    seen: SeenOption = None,
) -> int:
    """Solve a netlist healthy and faulted, and rank what would overheat what."""
    from netcheck.rank import View
    from netcheck.report.files import check_output, write_whole

    options = replace(
        settings_of(jobs, tubes, limit, meter, frequency, keep_deck, duty),
        idle_only=idle_only,
        budget=budget_of(budget),
        tolerance=tolerance_options(tolerance, draws, seed, mains),
        view=View(rank_by.value, stage, part, kind, condition),
        pairs=pairs,
        build=build.value,
        age_years=None if age is None else positive(age, "y", "--age"),
        walks=WALKS_ON_A_PAGE if format is Format.HTML else 0,
    )
    check_readable(file)
    if output is not None:
        check_output(output, file)
    diagnosis = _diagnosis(file, options, meter, readings, [reading or [], seen or []], format)
    result = _run_audit(file, options)
    if output is not None:
        write_whole(output, _rendered(result, format, show_all, diagnosis))
    else:
        _print(result, format, show_all, diagnosis)
    return _verdict_code(result, fail_at)


def _diagnosis(
    file: Path,
    options: Settings,
    meter: str,
    readings: Path | None,
    said: list[list[str]],
    format: Format,
) -> Diagnosis | None:
    """Return the diagnosis of the readings given, for the page; None without any."""
    if readings is None and not any(said):
        return None
    if format is not Format.HTML:
        raise NetcheckError(
            "--reading, --readings and --seen go on the page only",
            hint="--format html, or `netcheck diagnose`",
        )
    from netcheck.diagnose.dictionary import DictionaryOptions
    from netcheck.diagnose.meters import parse_meter
    from netcheck.diagnose.reading_file import Known

    wanted = DictionaryOptions(parse_meter(meter), build=options.build, age_years=options.age_years)
    with opened(file, options, wanted, None) as dictionary:
        known = handed_over(reader_of(dictionary), Known(), readings, *said)
        return diagnosis_from(investigation_of(dictionary, known, safer=False), file)


def _print(result: Audit, format: Format, show_all: bool, diagnosis: Diagnosis | None) -> None:
    if format is not Format.TEXT:
        print_whole(_rendered(result, format, show_all, diagnosis))
        return
    from netcheck.report import to_terminal

    print_report(lambda console: to_terminal.write(result, console, show_all=show_all))


def _run_audit(file: Path, options: Settings) -> Audit:
    from netcheck import pipeline
    from netcheck.report.progress import progress_for_terminal

    with progress_for_terminal() as progress:
        return pipeline.audit(file, options, progress)


def _rendered(result: Audit, format: Format, show_all: bool, diagnosis: Diagnosis | None) -> str:
    if format is Format.JSON:
        from netcheck.report import to_json

        return to_json.render(result)
    if format is Format.HTML:
        from netcheck.report.html.to_html import render

        return render(result, diagnosis)
    if format is Format.TEXT:
        from netcheck.report import to_terminal

        return to_terminal.render(result, show_all=show_all)
    from netcheck.gate.decide import audit_report
    from netcheck.report.formats import CheckFormat, render_checks

    return render_checks(audit_report(result), CheckFormat(format.value))


def _verdict_code(result: Audit, fail_at: FailAt) -> int:
    from netcheck.models.facts import healthy_verdict

    if any(finding.rule == "interrupted" for finding in result.findings):
        return EXIT_INTERRUPTED
    if fail_at is FailAt.NEVER:
        return 0
    failing = {"over_limit"} if fail_at is FailAt.OVER_LIMIT else {"over_limit", "at_limit"}
    wrong = any(finding.level == "error" for finding in result.findings)
    return EXIT_FINDINGS if wrong or healthy_verdict(result) in failing else 0
