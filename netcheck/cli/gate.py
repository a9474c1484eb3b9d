"""`netcheck gate`: netlists against a policy, for the CI of a published design.

Exit codes: 0 nothing failed, 1 a check failed, 2 a netlist could not be audited (which
beats 1), 130 interrupted; the report is written in each of these cases.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import functools
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.choices import USUAL_DUTY, USUAL_FREQUENCY, KeepDeckOption, settings_of
from netcheck.cli.limits import BudgetOption, LimitOption, budget_of
from netcheck.cli.shell import (
    EXIT_BUG,
    EXIT_FINDINGS,
    EXIT_INTERRUPTED,
    EXIT_UNANSWERED,
    DutyOption,
    FrequencyOption,
    JobsOption,
    OutputOption,
    TubesOption,
    guarded,
    one_of,
    print_report,
    print_whole,
)
from netcheck.errors import NetcheckError
from netcheck.report.formats import CheckFormat

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor

    from netcheck.gate.baseline import Baseline
    from netcheck.gate.decide import Decided
    from netcheck.gate.policy import FoundPolicy
    from netcheck.gate.run import Netlist
    from netcheck.models.audit import Audit
    from netcheck.models.checks import CheckReport
    from netcheck.workbench.settings import Progress, Settings

    Run = Callable[[list[Netlist], FoundPolicy, dt.date, Baseline | None], CheckReport]


PolicyOption = Annotated[
    Path | None,
    typer.Option(
        "--policy",
        metavar="FILE",
        help="The policy; default the nearest netcheck.toml or pyproject.toml with a table "
        "[tool.netcheck.gate], else the default policy.",
    ),
]
BaselineOption = Annotated[
    Path | None,
    typer.Option(
        "--baseline",
        metavar="FILE",
        help="JSON of an earlier gate or audit: fail only on what got worse.",
    ),
]

USUAL_BUDGET = "30min"
"""Of one netlist; the largest demo takes a minute on two cores."""


@guarded
def gate(
    paths: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="FILE", help="Netlists, schematics, and folders.", show_default=False
        ),
    ] = None,
    policy: PolicyOption = None,
    format: Annotated[
        CheckFormat,
        typer.Option("--format", metavar=one_of(CheckFormat), help="How the result is written."),
    ] = CheckFormat.TEXT,
    output: OutputOption = None,
    baseline: BaselineOption = None,
    explain: Annotated[
        bool, typer.Option("--explain", help="Show every check and the rule that decided it.")
    ] = False,
    jobs: JobsOption = None,
    frequency: FrequencyOption = USUAL_FREQUENCY,
    duty: DutyOption = USUAL_DUTY,
    tubes: TubesOption = None,
    limit: LimitOption = None,
    keep_deck: KeepDeckOption = None,
    budget: BudgetOption = USUAL_BUDGET,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster",
            metavar="ADDRESS",
            help="Audit on a running Dask cluster whose workers see the same files.",
        ),
    ] = None,
    today: Annotated[
        str | None,
        typer.Option(
            "--today", metavar="DATE", help="The date waivers are held against (YYYY-MM-DD)."
        ),
    ] = None,
    show_policy: Annotated[
        bool, typer.Option("--show-policy", help="Print the default policy and exit.")
    ] = False,
) -> int:
    """Audit netlists and folders of netlists against a policy; for CI."""
    if show_policy:
        from netcheck.gate.policy import default_text

        print_whole(default_text())
        return 0
    options = replace(
        settings_of(jobs, tubes, limit, frequency=frequency, keep_deck=keep_deck, duty=duty),
        budget=budget_of(budget),
    )
    run = functools.partial(_run, options=options, cluster=cluster)
    report = _checked(paths or [], policy, output, baseline, _date(today), run)
    _written(report, format, output, explain)
    return _exit_code(report)


def _checked(
    paths: list[Path],
    policy: Path | None,
    output: Path | None,
    baseline: Path | None,
    today: dt.date,
    run: Run,
) -> CheckReport:
    from netcheck.gate.baseline import read_baseline
    from netcheck.gate.policy import find_policy
    from netcheck.gate.run import find_netlists
    from netcheck.report.files import check_output

    if not paths:
        raise NetcheckError("no netlist was named", hint="give netlists or folders of netlists")
    here = Path.cwd()
    start = paths[0] if paths[0].is_dir() else paths[0].parent
    found = find_policy(policy, start.absolute().resolve())
    netlists = find_netlists(paths, found.policy.exclude, here)
    if not netlists:
        raise NetcheckError("no netlist is left", hint="the policy excludes all that were found")
    before = read_baseline(baseline) if baseline else None
    if output is not None:
        for netlist in netlists:
            check_output(output, netlist.path)
    return run(netlists, found, today, before)


def _run(
    netlists: list[Netlist],
    found: FoundPolicy,
    today: dt.date,
    before: Baseline | None,
    *,
    options: Settings,
    cluster: str | None,
) -> CheckReport:
    """Audit here, one after the other; or side by side where there are several."""
    from netcheck import pipeline
    from netcheck.gate.run import run_gate
    from netcheck.report.progress import progress_for_terminal
    from netcheck.solve.pool import default_jobs
    from netcheck.workbench.settings import ToleranceOptions

    options = replace(options, idle_only="driven" not in found.policy.conditions)
    if "toleranced" in found.policy.conditions:
        options = replace(options, tolerance=ToleranceOptions())
    workers = options.jobs or default_jobs()
    if cluster is None and (workers == 1 or len(netlists) == 1):

        def audit_one(path: Path) -> Audit:
            with progress_for_terminal() as progress:
                return pipeline.audit(path, options, progress)

        return run_gate(netlists, found, audit_one, today, before)
    return _run_spread(netlists, found, today, before, options, workers, cluster)


def _run_spread(
    netlists: list[Netlist],
    found: FoundPolicy,
    today: dt.date,
    before: Baseline | None,
    options: Settings,
    workers: int,
    cluster: str | None,
) -> CheckReport:
    """Audit several netlists at a time, each with one solver."""
    from netcheck.gate.run import gather
    from netcheck.gate.spread import FileTask, cluster_executor, decide_all, local_executor
    from netcheck.report.progress import progress_for_terminal
    from netcheck.workbench.settings import Step

    with contextlib.ExitStack() as stack:
        executor: Executor
        if cluster is None:
            executor = local_executor(min(workers, len(netlists)))
            stack.callback(executor.shutdown, cancel_futures=True)
        else:
            executor, workers, let_go = cluster_executor(cluster)
            stack.callback(let_go)
        progress = stack.enter_context(progress_for_terminal())
        progress.start(Step.NETLISTS, len(netlists))
        task = FileTask(replace(options, jobs=1), found, today, Path.cwd())
        decisions = decide_all(task, netlists, executor, workers)
        watched = (_counted(decided, progress) for decided in decisions)
        return gather(netlists, found, watched, today, before)


def _counted(decided: Decided, progress: Progress) -> Decided:
    progress.advance()
    return decided


def _date(text: str | None) -> dt.date:
    if text is None:
        return dt.date.today()
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise NetcheckError(f"--today: `{text}` is not a date", hint="as 2030-12-31") from None


def _written(report: CheckReport, format: CheckFormat, output: Path | None, explain: bool) -> None:
    from netcheck.report import to_gate_text
    from netcheck.report.files import write_whole
    from netcheck.report.formats import render_checks

    if format is CheckFormat.TEXT and output is None:
        print_report(lambda console: to_gate_text.write(report, console, explain=explain))
        return
    if format is CheckFormat.TEXT:
        text = to_gate_text.render(report, explain=explain)
    else:
        text = render_checks(report, format)
    if output is None:
        print_whole(text)
    else:
        write_whole(output, text)


def _exit_code(report: CheckReport) -> int:
    if report.interrupted:
        return EXIT_INTERRUPTED
    if any(row.bug for _, row in report.every_row()):
        return EXIT_BUG
    codes = {"pass": 0, "fail": EXIT_FINDINGS, "unanswered": EXIT_UNANSWERED}
    return codes[report.verdict]
