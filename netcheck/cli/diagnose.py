"""`netcheck diagnose`: from a few readings to the likeliest cause, and what to measure next."""

from __future__ import annotations

import io
import sys
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.at_bench import (
    ForgetOption,
    KeepOption,
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
    USUAL_METER,
    AgeOption,
    BenchMainsOption,
    BenchMeterOption,
    BenchSeedOption,
    Build,
    BuildOption,
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
    positive,
    print_report,
    print_whole,
)
from netcheck.errors import NetcheckError

if TYPE_CHECKING:
    from netcheck.diagnose.dictionary import Dictionary, DictionaryOptions
    from netcheck.diagnose.investigation import Investigation
    from netcheck.diagnose.next_probe import Proposal
    from netcheck.diagnose.reading_file import Known, Reader
    from netcheck.models.diagnosis import Diagnosis


class DiagnosisFormat(StrEnum):
    """Output formats."""

    TEXT = "text"
    JSON = "json"
    HTML = "html"
    SVG = "svg"


InteractiveOption = Annotated[
    bool,
    typer.Option(
        "--interactive", help="Ask for one reading after the other until one cause stands out."
    ),
]
LogOption = Annotated[
    Path | None,
    typer.Option(
        "--log",
        metavar="FILE",
        help="Keep the answers of --interactive here; an earlier file is gone on with.",
    ),
]
DiagnosisFormatOption = Annotated[
    DiagnosisFormat,
    typer.Option(
        "--format",
        metavar=one_of(DiagnosisFormat),
        help="Text, JSON, an HTML page, or the drawing alone as SVG.",
    ),
]
DrawsOption = Annotated[
    int,
    typer.Option("--draws", metavar="N", min=50, max=5_000, help="Units drawn for every fault."),
]


@guarded
def diagnose(
    file: NetlistArgument,
    reading: ReadingOption = None,
    readings: ReadingsOption = None,
    seen: SeenOption = None,
    interactive: InteractiveOption = False,
    log: LogOption = None,
    format: DiagnosisFormatOption = DiagnosisFormat.TEXT,
    output: OutputOption = None,
    meter: BenchMeterOption = USUAL_METER,
    mains: BenchMainsOption = "230V",
    build: BuildOption = Build.UNKNOWN,
    age: AgeOption = None,
    draws: DrawsOption = 200,
    seed: BenchSeedOption = 1,
    keep: KeepOption = None,
    forget: ForgetOption = False,
    jobs: JobsOption = None,
    tubes: TubesOption = None,
    limit: LimitOption = None,
    keep_deck: KeepDeckOption = None,
) -> int:
    """Rank what could explain a few readings, and say what to measure next."""
    from netcheck.report.files import check_output, write_whole

    check_readable(file)
    if output is not None:
        check_output(output, file)
    if log is not None and not interactive:
        raise NetcheckError("--log does nothing without --interactive")
    if log is not None and output is not None and log.absolute() == output.absolute():
        raise NetcheckError("--log and --output are the same file")
    options = replace(settings_of(jobs, tubes, limit, keep_deck=keep_deck), idle_only=True)
    wanted = _dictionary_options(meter, mains, build, age, (draws, seed))
    with opened(file, options, wanted, keep, forget=forget) as dictionary:
        reader = reader_of(dictionary)
        logged = _logged(reader, log)
        known = handed_over(reader, logged, readings, reading, seen)
        investigation = investigation_of(dictionary, known, safer=interactive)
        if interactive:
            investigation = _asked(investigation, reader, known, logged, log)
        diagnosis = diagnosis_from(investigation, file)
        text = "" if format is DiagnosisFormat.TEXT else _rendered(diagnosis, dictionary, format)
    if output is not None:
        from netcheck.report import diagnosis_text

        write_whole(output, text or diagnosis_text.render(diagnosis))
    elif text:
        print_whole(text)
    else:
        from netcheck.report import diagnosis_text

        print_report(lambda console: diagnosis_text.write(diagnosis, console))
    return 0


def _dictionary_options(
    meter: str, mains: str, build: Build, age: str | None, units: tuple[int, int]
) -> DictionaryOptions:
    from netcheck.diagnose.dictionary import DictionaryOptions
    from netcheck.diagnose.meters import parse_meter

    band = mains_band(mains)
    years = positive(age, "y", "--age") if age is not None else None
    return DictionaryOptions(parse_meter(meter), band, *units, build=build.value, age_years=years)


def _logged(reader: Reader, log: Path | None) -> Known:
    """Return what the log of an earlier session holds."""
    from netcheck.diagnose.reading_file import Known
    from netcheck.models.facts import shown_file

    try:
        is_there = log is not None and log.exists()
    except OSError as error:
        raise NetcheckError(f"the log {log} cannot be read: {error.strerror or error}") from error
    return reader.file(log, shown_file(log.as_posix())) if log and is_there else Known()


def _asked(
    investigation: Investigation, reader: Reader, known: Known, logged: Known, log: Path | None
) -> Investigation:
    from netcheck.diagnose.reading_file import Log, ask_on
    from netcheck.diagnose.sheet_lines import CAUTIONS

    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")
    _say("Cautions first:", *(f"- {one.text}" for one in CAUTIONS))
    _say(
        "",
        "Type what the meter shows, such as -31.2V; `skip` where it cannot be read; `stop` to end.",
        "Any other reading or sign is taken too, such as V(g4)=-31.2V or glow(X4)=yes.",
    )
    return ask_on(
        investigation, reader, Log(log), known.skipped, _answer, _complain, logged.lines()
    )


def _say(*lines: str) -> None:
    """Print lines for a person, beside the report."""
    from textwrap import fill

    from netcheck.source import printable

    for line in lines:
        indent = "  " if line.startswith("- ") else ""
        text = fill(printable(line), 79, subsequent_indent=indent, break_on_hyphens=False)
        typer.echo(text, err=True)


def _answer(investigation: Investigation, proposal: Proposal) -> str | None:
    """Show what is likeliest and what is asked; return what was typed."""
    from netcheck.report.diagnosis_words import percent, short_name, situation_words
    from netcheck.source import printable

    posterior = investigation.posterior
    names = posterior.names
    order = (-posterior.every).argsort(kind="stable")[:3]
    likeliest = ", ".join(
        f"{short_name(names[at])} {percent(float(posterior.every[at]))}" for at in order
    )
    wanted, point = proposal.wanted, proposal.point
    _say(
        "",
        f"So far: {likeliest}.",
        *(f"Not asked for: {one}." for one in investigation.refused),
        f"Measure {wanted.what}, {situation_words(point.situation)}: red {wanted.red}; "
        f"black {wanted.black}",
    )
    choices = "value, `open`, `skip` or `stop`" if point.kind == "ohms" else "value, `skip`, `stop`"
    typer.echo(f"{printable(point.asked)} ({choices}): ", nl=False, err=True)
    text = sys.stdin.readline()
    if not text:
        typer.echo("", err=True)
    return text or None


def _complain(error: NetcheckError) -> None:
    from netcheck.source import printable

    for line in str(error).split("\n"):
        typer.echo(printable(line), err=True)


def _rendered(diagnosis: Diagnosis, dictionary: Dictionary, format: DiagnosisFormat) -> str:
    if format is DiagnosisFormat.JSON:
        from netcheck.report import to_json

        return to_json.render(diagnosis)
    from netcheck.report.diagnosis_drawing import drawing_of

    drawing = drawing_of(dictionary.circuit, dictionary.roles, diagnosis)
    if format is DiagnosisFormat.SVG:
        return drawing
    from netcheck.report import diagnosis_html

    return diagnosis_html.render(diagnosis, drawing)
