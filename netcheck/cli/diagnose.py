"""`netcheck diagnose`: from a few readings to the likeliest cause, and what to measure next."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.choices import NOMINAL, AgeOption, Build, BuildOption
from netcheck.cli.limits import LimitOption, with_limits
from netcheck.cli.shell import (
    JobsOption,
    NetlistArgument,
    OutputOption,
    TubesOption,
    check_readable,
    guarded,
    positive,
    print_report,
    print_whole,
)
from netcheck.errors import NetcheckError, SolverUnavailableError

if TYPE_CHECKING:
    from netcheck.analysis.options import AuditOptions
    from netcheck.diagnose.dictionary import Dictionary, DictionaryOptions
    from netcheck.diagnose.investigation import Investigation
    from netcheck.diagnose.next_probe import Proposal
    from netcheck.diagnose.reading_file import Known, Reader
    from netcheck.report.diagnosis_model import Diagnosis
    from netcheck.solve.pool import Pool


class DiagnosisFormat(StrEnum):
    """Output formats."""

    TEXT = "text"
    JSON = "json"
    HTML = "html"
    SVG = "svg"


ReadingOption = Annotated[
    list[str] | None,
    typer.Option(
        "--reading",
        metavar="READING",
        help="What the meter shows, such as V(g4)=-31.2V, V(p4,ht)=-2V, I(R24)=34mA, "
        "R(g4)=242kohm, leak(C3)=0.4V or ripple(ht)=yes; after @ the situation: power_off, "
        "tubes_out, mains_60, idle. May be repeated.",
    ),
]
ReadingsOption = Annotated[
    Path | None,
    typer.Option(
        "--readings",
        metavar="FILE",
        help="A list of readings, one a line, or the CSV of `netcheck expect` filled in.",
    ),
]
SeenOption = Annotated[
    list[str] | None,
    typer.Option(
        "--seen",
        metavar="EVIDENCE",
        help="What was seen, smelled or done: glow(X4)=yes, fuse=blown, hum=yes, "
        "smell(R24)=yes, swap(X4)=stayed, recent=new_tubes. May be repeated.",
    ),
]
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
    typer.Option("--format", help="Text, JSON, an HTML page, or the drawing alone as SVG."),
]
MeterOption = Annotated[
    str,
    typer.Option(
        "--meter", help="10Mohm, 20kohm/V, digital, analog or `none`; its load is solved."
    ),
]
MainsOption = Annotated[
    str,
    typer.Option(
        "--mains",
        metavar="BAND",
        help="Mains band by nominal volts or name, or `none` where it is as on the netlist.",
    ),
]
DrawsOption = Annotated[
    int, typer.Option("--draws", min=50, max=5_000, help="Units drawn for every fault.")
]
KeepOption = Annotated[
    Path | None,
    typer.Option(
        "--dictionary",
        metavar="FOLDER",
        envvar="NETCHECK_DICTIONARY",
        help="Folder where solved dictionaries are kept; the user's cache if not given.",
    ),
]
ForgetOption = Annotated[
    bool, typer.Option("--no-dictionary", help="Keep no dictionary, and use none.")
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
    meter: MeterOption = "10Mohm",
    mains: MainsOption = "230V",
    build: BuildOption = Build.UNKNOWN,
    age: AgeOption = None,
    draws: DrawsOption = 200,
    keep: KeepOption = None,
    forget: ForgetOption = False,
    jobs: JobsOption = None,
    tubes: TubesOption = None,
    limit: LimitOption = None,
) -> int:
    """Rank what could explain a few readings, and say what to measure next."""
    from netcheck.analysis.options import AuditOptions
    from netcheck.report.files import check_output, write_whole

    check_readable(file)
    if output is not None:
        check_output(output, file)
    if log is not None and not interactive:
        raise NetcheckError("--log does nothing without --interactive")
    if log is not None and output is not None and log.absolute() == output.absolute():
        raise NetcheckError("--log and --output are the same file")
    options = with_limits(AuditOptions(idle_only=True, jobs=jobs, tubes=tubes), limit)
    wanted = _dictionary_options(meter, mains, build, age, draws)
    folder = None if forget else keep
    with _opened(file, options, wanted, folder, forget) as dictionary:
        reader = _reader(dictionary)
        logged = _logged(reader, log)
        known = _known(reader, logged, readings, reading, seen)
        investigation = _investigation(dictionary, known)
        if interactive:
            investigation = _asked(investigation, reader, known, logged, log)
        diagnosis = _diagnosis(investigation, file)
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
    meter: str, mains: str, build: Build, age: str | None, draws: int
) -> DictionaryOptions:
    from netcheck.diagnose.dictionary import DictionaryOptions
    from netcheck.diagnose.meters import parse_meter
    from netcheck.ratings.mains import find_band

    band = "" if mains.strip().casefold() == NOMINAL else mains
    if band:
        try:
            find_band(band)
        except NetcheckError as error:
            raise NetcheckError(f"--mains: {error.message}", hint=error.hint) from error
    years = positive(age, "y", "--age") if age is not None else None
    return DictionaryOptions(parse_meter(meter), band, draws, build=build.value, age_years=years)


@contextmanager
def _opened(
    file: Path,
    options: AuditOptions,
    wanted: DictionaryOptions,
    folder: Path | None,
    forget: bool,
) -> Iterator[Dictionary]:
    """Open the dictionary of a netlist; workers start only where something is solved."""
    from netcheck.diagnose.dictionary import Dictionary
    from netcheck.diagnose.store import Store, usual_folder
    from netcheck.pipeline import load_circuit
    from netcheck.report.progress import progress_for_terminal
    from netcheck.solve.pool import Pool

    pools: list[Pool] = []

    def pool() -> Pool:
        if not pools:
            pools.append(Pool(options.jobs, options.time_limit_s, options.memory_bytes))
        return pools[0]

    circuit = load_circuit(file, options.tubes, options.read_limits)
    store = Store(None if forget else folder or usual_folder())
    try:
        with progress_for_terminal() as progress:
            yield Dictionary(circuit, wanted, pool, store, progress)
    finally:
        for one in pools:
            one.close()


def _reader(dictionary: Dictionary) -> Reader:
    from netcheck.diagnose.reading_file import Reader

    return Reader(dictionary.circuit, dictionary.roles)


def _logged(reader: Reader, log: Path | None) -> Known:
    """Return what the log of an earlier session holds."""
    from netcheck.diagnose.reading_file import Known
    from netcheck.report.facts import shown_file

    try:
        is_there = log is not None and log.exists()
    except OSError as error:
        raise NetcheckError(f"the log {log} cannot be read: {error.strerror or error}") from error
    return reader.file(log, shown_file(log.as_posix())) if log and is_there else Known()


def _known(
    reader: Reader,
    logged: Known,
    readings: Path | None,
    reading: list[str] | None,
    seen: list[str] | None,
) -> Known:
    """Return what the user hands over, the log of an earlier session first."""
    from netcheck.report.facts import shown_file

    known = logged
    if readings is not None:
        name = shown_file(readings.as_posix())
        read = reader.file(readings, name)
        if not read.lines():
            raise NetcheckError(
                f"there is no reading in {name}",
                hint="one a line, such as V(g4)=-31.2V, or the last column of the CSV of "
                "`netcheck expect` filled in",
            )
        known = known.with_more(read)
    known = known.with_more(reader.texts(reading or (), "--reading"))
    return known.with_more(reader.texts(seen or (), "--seen"))


def _investigation(dictionary: Dictionary, known: Known) -> Investigation:
    from netcheck.diagnose.investigation import Basis, Investigation

    return Investigation(Basis(dictionary), known.readings, known.evidence)


def _asked(
    investigation: Investigation, reader: Reader, known: Known, logged: Known, log: Path | None
) -> Investigation:
    from netcheck.diagnose.cautions import CAUTIONS
    from netcheck.diagnose.questions import Log, ask_on

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
    names = [*(one.id for one in posterior.hypotheses.causes), "none_of_these"]
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


def _diagnosis(investigation: Investigation, file: Path) -> Diagnosis:
    """Return what was found."""
    from dataclasses import replace

    from netcheck.diagnose.diagnosis import diagnosis_of

    name = file.as_posix()
    try:
        found = diagnosis_of(investigation, name)
    except SolverUnavailableError:  # reduced mains may be all that is not on file
        basis = replace(investigation.basis, safer=False)
        found = diagnosis_of(replace(investigation, basis=basis), name)
    trouble = investigation.basis.dictionary.store.trouble
    return replace(found, assumptions=(trouble, *found.assumptions)) if trouble else found


def _rendered(diagnosis: Diagnosis, dictionary: Dictionary, format: DiagnosisFormat) -> str:
    if format is DiagnosisFormat.JSON:
        from netcheck.report import diagnosis_json

        return diagnosis_json.render(diagnosis)
    from netcheck.report.diagnosis_drawing import drawing_of

    drawing = drawing_of(dictionary.circuit, dictionary.roles, diagnosis)
    if format is DiagnosisFormat.SVG:
        return drawing
    from netcheck.report import diagnosis_html

    return diagnosis_html.render(diagnosis, drawing)
