"""What commands share that take readings from the bench.

Comes in: the words of `--reading`, `--readings`, `--seen`, and where dictionaries are kept.
Goes out: an open dictionary, what is known, and the diagnosis.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.errors import NetcheckError, SolverUnavailableError

if TYPE_CHECKING:
    from netcheck.diagnose.dictionary import Dictionary, DictionaryOptions
    from netcheck.diagnose.investigation import Investigation
    from netcheck.diagnose.reading_file import Known, Reader
    from netcheck.models.diagnosis import Diagnosis
    from netcheck.solve.pool import Pool
    from netcheck.workbench.settings import Settings

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


@contextmanager
def opened(
    file: Path,
    options: Settings,
    wanted: DictionaryOptions,
    folder: Path | None,
    *,
    forget: bool = False,
) -> Iterator[Dictionary]:
    """Open the dictionary of a netlist; workers start only where something is solved."""
    from netcheck.diagnose.dictionary import Dictionary, Store, usual_folder
    from netcheck.pipeline import load_circuit
    from netcheck.report.progress import progress_for_terminal
    from netcheck.workbench.settings import pool_of

    pools: list[Pool] = []

    def pool() -> Pool:
        if not pools:
            pools.append(pool_of(options))
        return pools[0]

    circuit = load_circuit(file, options.tubes, options.read_limits)
    store = Store(None if forget else folder or usual_folder())
    try:
        with progress_for_terminal() as progress:
            yield Dictionary(circuit, wanted, pool, store, progress)
    finally:
        for one in pools:
            one.close()


def reader_of(dictionary: Dictionary) -> Reader:
    """Return who reads readings of this circuit."""
    from netcheck.diagnose.reading_file import Reader

    return Reader(dictionary.circuit, dictionary.roles)


def handed_over(
    reader: Reader,
    logged: Known,
    readings: Path | None,
    reading: list[str] | None,
    seen: list[str] | None,
) -> Known:
    """Return what the user hands over, the log of an earlier session first."""
    from netcheck.models.facts import shown_file

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


def investigation_of(dictionary: Dictionary, known: Known, *, safer: bool) -> Investigation:
    """Return the investigation; `safer` may solve reduced mains where full mains are refused."""
    from netcheck.diagnose.investigation import Basis, Investigation

    return Investigation(Basis(dictionary, safer=safer), known.readings, known.evidence)


def diagnosis_from(investigation: Investigation, file: Path) -> Diagnosis:
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
