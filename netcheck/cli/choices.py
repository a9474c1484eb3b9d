"""Options that reach the solver, and those that choose and order rows; each declared once.

Comes in: the words of the options.  Goes out: `Settings`, or `ToleranceOptions` or None.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.limits import with_limits
from netcheck.cli.shell import one_of, positive
from netcheck.errors import NetcheckError

if TYPE_CHECKING:
    from netcheck.workbench.settings import Settings, ToleranceOptions

NOMINAL = "none"


class RankBy(StrEnum):
    """Orders of the faults."""

    SEVERITY = "severity"
    RISK = "risk"
    SMALLEST_DEFECT = "smallest_defect"


class Build(StrEnum):
    """What stands on the bench."""

    UNKNOWN = "unknown"
    NEW_BUILD = "new_build"
    RESTORED = "restored"
    UNTOUCHED_AND_OLD = "untouched_and_old"


FewJobsOption = Annotated[
    int, typer.Option("--jobs", "-j", metavar="N", min=1, help="Worker processes.")
]
BenchMeterOption = Annotated[
    str,
    typer.Option(
        "--meter",
        metavar="METER",
        help="10Mohm, 20kohm/V, digital, analog or `none`; its load is solved.",
    ),
]
BenchMainsOption = Annotated[
    str,
    typer.Option(
        "--mains",
        metavar="BAND",
        help="Mains band by nominal volts or name, or `none` where you measure it.",
    ),
]
BenchSeedOption = Annotated[
    int, typer.Option("--seed", metavar="N", min=0, help="Another seed draws other units.")
]
BuildOption = Annotated[
    Build,
    typer.Option(
        "--build",
        metavar=one_of(Build),
        help="What stands on the bench: it says how likely each fault is.",
    ),
]
AgeOption = Annotated[
    str | None, typer.Option("--age", metavar="YEARS", help="Age of the set, such as 40y.")
]
ToleranceOption = Annotated[
    bool,
    typer.Option(
        "--tolerance",
        help="Also draw units with mains, parts and tubes within tolerance, and search the worst.",
    ),
]
DrawsOption = Annotated[
    int | None,
    typer.Option(
        "--draws", metavar="N", min=100, max=1_000_000, help="Units drawn; 2000 if not given."
    ),
]
SeedOption = Annotated[
    int | None,
    typer.Option(
        "--seed", metavar="N", min=0, help="Another seed draws other units; 1 if not given."
    ),
]
MainsOption = Annotated[
    str | None,
    typer.Option(
        "--mains",
        metavar="BAND",
        help="Mains band by nominal volts or name, such as 230V (+-10 %, if not given), 120V, or "
        "`none` for nominal mains.",
    ),
]
PairsOption = Annotated[
    bool,
    typer.Option(
        "--pairs",
        help="Also solve two faults at once, idle: what one fault leads to, and what hides it.",
    ),
]
RankOption = Annotated[
    RankBy,
    typer.Option(
        "--rank-by",
        metavar=one_of(RankBy),
        help="Order of the faults: severity, risk (likelihood times severity), or the smallest "
        "sufficient defect.",
    ),
]
StageOption = Annotated[
    str, typer.Option("--stage", metavar="STAGE", help="Show only faults of this stage or tube.")
]
PartOption = Annotated[
    str, typer.Option("--part", metavar="REF", help="Show only faults of this part.")
]
KindOption = Annotated[
    str, typer.Option("--kind", metavar="KIND", help="Show only faults of this kind, as in ids.")
]
ConditionOption = Annotated[
    str,
    typer.Option(
        "--condition",
        metavar="NAME",
        help="Show only faults that put a part at or over a limit under this condition.",
    ),
]


USUAL_METER, USUAL_FREQUENCY = "10Mohm", "1kHz"
USUAL_DUTY = "100%"
"""The duty of a sine that does not pause."""


KeepDeckOption = Annotated[
    Path | None,
    typer.Option(
        "--keep-deck",
        metavar="FOLDER",
        help="Keep there, under names that tell nothing of your netlist, what ngspice was given "
        "where it found no answer; for a bug report.",
    ),
]


def folder_for_decks(folder: Path) -> Path:
    """Return the folder, made where it is missing."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise NetcheckError(
            f"--keep-deck: {folder} cannot be made: {error.strerror or type(error).__name__}",
            hint="name a folder that you may write to",
        ) from error
    if not os.access(folder, os.W_OK):
        raise NetcheckError(f"--keep-deck: {folder} cannot be written to")
    return folder


def settings_of(
    jobs: int | None,
    tubes: Path | None,
    limit: Sequence[str] | None,
    meter: str = USUAL_METER,
    frequency: str = USUAL_FREQUENCY,
    keep_deck: Path | None = None,
    duty: str = USUAL_DUTY,
) -> Settings:
    """Return what every command that solves may be told; a meter is ohms, or `none`."""
    from netcheck.workbench.settings import Settings

    options = Settings(
        jobs=jobs,
        meter_ohm=positive(meter, "ohm", "--meter") if meter.lower() != NOMINAL else None,
        frequency_hz=positive(frequency, "Hz", "--frequency"),
        duty=share_of_time(duty),
        tubes=tubes,
        kept_decks=None if keep_deck is None else folder_for_decks(keep_deck),
    )
    return with_limits(options, limit)


def share_of_time(text: str) -> float:
    """Read a duty: a percentage, or a number up to 1."""
    share = positive(text, "%" if text.strip().endswith("%") else "", "--duty")
    if share > 1.0:
        raise NetcheckError(
            f"--duty: {text} is more than all of the time",
            hint="a share such as 10% or 0.1; 100% is a continuous sine",
        )
    return share


def tolerance_options(
    wanted: bool, draws: int | None, seed: int | None, mains: str | None
) -> ToleranceOptions | None:
    """Return what to draw; complains of an option that would do nothing."""
    from netcheck.workbench.settings import ToleranceOptions

    if not wanted:
        given = {"--draws": draws, "--seed": seed, "--mains": mains}
        for name, value in given.items():
            if value is not None:
                raise NetcheckError(f"{name} does nothing without --tolerance")
        return None
    usual = ToleranceOptions()
    return ToleranceOptions(
        usual.draws if draws is None else draws,
        usual.seed if seed is None else seed,
        mains_band(usual.mains if mains is None else mains),
    )


def mains_band(text: str) -> str:
    """Return the name of a mains band; empty for nominal mains."""
    from netcheck.ratings.mains import find_band

    band = text.strip()
    if band.casefold() == NOMINAL:
        return ""
    try:
        find_band(band)
    except NetcheckError as error:
        raise NetcheckError(f"--mains: {error.message}", hint=error.hint) from error
    return band
