"""Fit the current law of a type to the published rows of its data file.

Comes in: a `TubeType` with operating rows.  Goes out: a `Fit` with the law, the
model's currents and slopes at every row, and the worst deviations.

Least squares on logarithms: every published figure gives one residual,
ln(model / published) over what may be expected of that kind of figure, which is
the row's own tolerance for a plate current and a multiple of it for slopes and
screen currents.  Operation with a signal goes into the same sum: mean currents, output
power and distortion of one cycle (`cycle.py`), since what a screen draws at full drive
decides more verdicts than what it draws at rest.  Constants that few rows can settle
(how sharp the knee is, what happens below 20 V) are held near usual values by weak
priors.  Beyond twice what is expected a residual counts by its size and no longer by its
square (pseudo-Huber, as in Hartley and Zisserman, Multiple View Geometry, 2003,
appendix 6): where two sheets contradict each other one row does not spoil the rest.

Of a type with three or more published rows every third of those is held out, and so is
every third row with a signal: the law never sees it, so how it meets that row is a
prediction.

Run `python -m netcheck.tubes.fit EL34` to see the rows and the block of
constants for the data file.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from netcheck.tubes.cycle import Cycles
from netcheck.tubes.library import load_library
from netcheck.tubes.model import (
    GridLaw,
    Law,
    PentodeLaw,
    TriodeLaw,
    grid_law_of,
    space_currents,
)
from netcheck.tubes.types import OperationRow, SignalRow, TubeType

Array = NDArray[np.float64]

STEP_V = 0.01
"""Step of the central differences; far above rounding, far below any curvature."""

HOLD_OUT_EVERY = 3
LEAST = 1e-15
FAR = 1e3
"""Stands for a current or a residual that is not a number, or below any logarithm."""

LOOSER = {
    "plate_a": 1.0,
    "cathode_a": 1.0,
    "screen_a": 3.0,
    "transconductance_s": 1.0,
    "plate_resistance_ohm": 4.0,
    "amplification": 3.0,
}
"""Published figure to how many times the row's tolerance it is allowed."""
SIGNAL_TOLERANCE = {
    "output_w": 0.08,
    "distortion": 0.03,
    "plate_a": 0.08,
    "cathode_a": 0.08,
    "screen_a": 0.13,
}
"""What is expected of a figure with a signal: a fraction, but a plain difference for
distortion, since what sheets print is that of bogey tubes, to a percent or two."""
OUTLIER = 2.0
"""From so many times what is expected on a residual counts by its size alone."""


@dataclass(frozen=True, slots=True)
class Prior:
    """Usual value of one constant, and the factor by which it may well differ.

    A `shift` constant lies about zero, and may differ by that many units.
    """

    name: str
    usual: float
    factor: float
    shift: bool = False

    @property
    def start(self) -> float:
        """The usual value on the scale that is fitted (logarithmic unless a shift)."""
        return self.usual if self.shift else math.log(self.usual)

    @property
    def width(self) -> float:
        """Width of the prior on that scale."""
        return self.factor if self.shift else math.log(self.factor)

    def value(self, fitted: float) -> float:
        """Return the constant itself."""
        return fitted if self.shift else math.exp(fitted)


TRIODE_PRIORS = (
    Prior("amplification", 30.0, 10.0),
    Prior("exponent", 1.40, 1.06),
    Prior("perveance", 1.0e-3, 30.0),
    Prior("cutoff_sharpness", 200.0, 4.0),
    Prior("low_plate_v", 15.0, 1.4),
    Prior("grid_offset_v", 0.0, 0.5, shift=True),
)
PENTODE_PRIORS = (
    Prior("amplification", 10.0, 10.0),
    Prior("exponent", 1.40, 1.06),
    Prior("perveance", 1.5e-3, 30.0),
    Prior("cutoff_sharpness", 40.0, 2.0),
    Prior("low_screen_v", 10.0, 2.0),
    Prior("plate_penetration", 0.03, 2.5),
    Prior("knee_factor", 0.6, 2.0),
    Prior("knee_exponent", 1.6, 1.2),
    Prior("screen_share", 0.05, 2.0),
    Prior("plate_pull", 0.2, 4.0),
)


@dataclass(frozen=True, slots=True)
class Comparison:
    """One published figure beside the model's."""

    row: OperationRow
    figure: str
    published: float
    model: float

    @property
    def deviation(self) -> float:
        """Model over published, less one."""
        return self.model / self.published - 1.0


@dataclass(frozen=True, slots=True)
class SignalComparison:
    """One published figure of operation with a signal beside the model's."""

    row: SignalRow
    figure: str
    published: float
    model: float

    @property
    def deviation(self) -> float:
        """Model over published, less one; the plain difference for distortion."""
        if self.figure == "distortion":
            return self.model - self.published
        return self.model / self.published - 1.0


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted law and how it compares with the rows it saw, and with those held out.

    signal, signal_held_out: the same for operation with a signal.
    """

    law: Law
    comparisons: tuple[Comparison, ...]
    held_out: tuple[Comparison, ...] = ()
    signal: tuple[SignalComparison, ...] = ()
    signal_held_out: tuple[SignalComparison, ...] = ()

    def worst(self, *figures: str, basis: str = "published") -> float | None:
        """Return the largest deviation among fitted rows of `basis`, as a fraction."""
        return _worst(self.comparisons, figures, basis)

    def held_out_worst(self, *figures: str) -> float | None:
        """Return the largest deviation among the rows that were held out."""
        return _worst(self.held_out, figures, "published")


def _worst(comparisons: Sequence[Comparison], figures: Sequence[str], basis: str) -> float | None:
    found = [c for c in comparisons if c.figure in figures and c.row.basis == basis]
    return max((abs(c.deviation) for c in found), default=None)


def held_out_rows(tube: TubeType) -> frozenset[int]:
    """Return the numbers (from 0) of the operation rows that the fit never sees.

    Every third published row in the order of the file; nothing where fewer than
    three were published, since then each is needed.  Rows derived from other figures
    or read from a curve are all fitted.
    """
    published = [n for n, row in enumerate(tube.operation) if row.basis == "published"]
    return frozenset(published[HOLD_OUT_EVERY - 1 :: HOLD_OUT_EVERY])


def fitted_rows(tube: TubeType) -> tuple[OperationRow, ...]:
    """Return the operation rows that the law is fitted to."""
    held_out = held_out_rows(tube)
    return tuple(row for number, row in enumerate(tube.operation) if number not in held_out)


def held_out_signal(tube: TubeType) -> frozenset[int]:
    """Return the numbers (from 0) of the rows with a signal that the fit never sees."""
    return frozenset(range(HOLD_OUT_EVERY - 1, len(tube.signal), HOLD_OUT_EVERY))


def compare_signal(law: Law, rows: Cycles) -> tuple[SignalComparison, ...]:
    """Set every published figure of operation with a signal beside the model's."""
    figures = rows.figures(law)
    return tuple(
        SignalComparison(row, name, published, float(figures[name][number]))
        for number, row in enumerate(rows.rows)
        for name in SIGNAL_TOLERANCE
        if (published := getattr(row, name)) is not None
    )


def compare(law: Law, rows: Sequence[OperationRow]) -> tuple[Comparison, ...]:
    """Set every published figure of `rows` beside the model's."""
    figures = _figures(law, rows)
    return tuple(
        Comparison(row, name, published, float(values[number]))
        for number, row in enumerate(rows)
        for name, values in figures.items()
        if (published := getattr(row, name)) is not None
    )


def _figures(law: Law, rows: Sequence[OperationRow]) -> dict[str, Array]:
    """Evaluate currents and slopes at all rows at once."""
    plate_v = np.array([row.plate_v for row in rows])
    screen_v = np.array([row.plate_v if row.screen_v is None else row.screen_v for row in rows])
    grid_v = np.array([row.grid_v for row in rows])
    tied = np.array([row.connection == "triode" or row.screen_v is None for row in rows])

    def at(plate: Array | float, screen: Array | float, grid: float) -> tuple[Array, Array]:
        ip, isc = space_currents(law, plate_v + plate, screen_v + screen, grid_v + grid)
        return np.where(tied, ip + isc, ip), ip + isc

    def slope(plate: Array | float, screen: Array | float, grid: float) -> tuple[Array, Array]:
        up, down = at(plate, screen, grid), at(-plate, -screen, -grid)
        return (up[0] - down[0]) / (2 * STEP_V), (up[1] - down[1]) / (2 * STEP_V)

    by_grid = slope(0.0, 0.0, STEP_V)
    by_plate = slope(STEP_V, np.where(tied, STEP_V, 0.0), 0.0)
    by_screen = slope(np.where(tied, STEP_V, 0.0), STEP_V, 0.0)
    plate_a, screen_a = space_currents(law, plate_v, screen_v, grid_v)
    return {
        "plate_a": plate_a,
        "screen_a": screen_a,
        "cathode_a": plate_a + screen_a,
        "transconductance_s": by_grid[0],
        "plate_resistance_ohm": 1.0 / by_plate[0],
        "amplification": by_grid[1] / by_screen[1],
    }


def fit_type(tube: TubeType) -> Fit:
    """Fit the law of `tube` to its rows, never starting from constants on file."""
    from scipy.optimize import least_squares

    grid = grid_law_of(tube)
    rows = fitted_rows(tube)
    priors = TRIODE_PRIORS if tube.kind == "triode" else PENTODE_PRIORS
    build = _builder(tube, priors, grid)
    usual = np.array([prior.start for prior in priors])
    width = np.array([prior.width for prior in priors])

    cycles = _cycles(tube, held_out=False)

    def residuals(fitted: Array) -> Array:
        law = build(fitted)
        deviations = [
            np.log(max(c.model, LEAST) / c.published) / (LOOSER[c.figure] * c.row.tolerance)
            for c in compare(law, rows)
        ]
        if cycles:
            deviations += [_deviation(each) for each in compare_signal(law, cycles)]
        return np.concatenate([_within_reason(np.array(deviations)), (fitted - usual) / width])

    start = _start(tube, priors)
    solution: Any = least_squares(residuals, start, x_scale=width, bounds=_bounds(priors))
    return _fit(tube, build(solution.x))


def _cycles(tube: TubeType, *, held_out: bool) -> Cycles | None:
    """Return the rows with a signal that are fitted, or those held out, if there are any."""
    apart = held_out_signal(tube)
    rows = [row for number, row in enumerate(tube.signal) if (number in apart) == held_out]
    return Cycles(rows) if rows else None


def _deviation(each: SignalComparison) -> float:
    """Return the residual of one figure with a signal."""
    expected = SIGNAL_TOLERANCE[each.figure]
    if each.figure == "distortion":
        return each.deviation / expected
    return math.log(max(each.model, LEAST) / each.published) / expected


def _within_reason(residuals: Array) -> Array:
    """Let a residual beyond `OUTLIER` count by its size, smoothly."""
    share = np.nan_to_num(residuals, nan=FAR, posinf=FAR, neginf=-FAR) / OUTLIER
    size = OUTLIER * np.sqrt(2.0 * (np.sqrt(1.0 + share * share) - 1.0))
    return np.asarray(np.sign(share) * size)


def _fit(tube: TubeType, law: Law) -> Fit:
    """Compare a law with all rows of its type."""
    held_out = [tube.operation[number] for number in sorted(held_out_rows(tube))]
    seen, unseen = _cycles(tube, held_out=False), _cycles(tube, held_out=True)
    return Fit(
        law,
        compare(law, fitted_rows(tube)),
        compare(law, held_out),
        compare_signal(law, seen) if seen else (),
        compare_signal(law, unseen) if unseen else (),
    )


def _start(tube: TubeType, priors: Sequence[Prior]) -> Array:
    """Return the usual values, but the printed amplification of a power triode.

    At the usual amplification its rows lie so far beyond cut-off that no constant
    changes their currents, and the search would stop where it began.
    """
    start = {prior.name: prior.start for prior in priors}
    printed = [row.amplification for row in tube.operation if row.amplification]
    if tube.kind == "triode" and tube.power and printed:
        start["amplification"] = math.log(printed[0])
    return np.array(list(start.values()))


def _bounds(priors: Sequence[Prior]) -> tuple[list[float], list[float]]:
    """Keep each constant within three widths of its prior, exponents above 1.

    A knee that starts with a lower power than 1.35 turns so fast at 0 V that a solver
    would meet it as a corner.
    """
    floor = {"exponent": math.log(1.05), "knee_exponent": math.log(1.35)}
    low = [max(p.start - 3 * p.width, floor.get(p.name, -math.inf)) for p in priors]
    ceiling = {"plate_pull": math.log(0.95)}
    high = [min(p.start + 3 * p.width, ceiling.get(p.name, math.inf)) for p in priors]
    return low, high


def _builder(tube: TubeType, priors: Sequence[Prior], grid: GridLaw) -> Callable[[Array], Law]:
    def build(fitted: Array) -> Law:
        values = {p.name: p.value(float(x)) for p, x in zip(priors, fitted, strict=True)}
        if tube.kind == "triode":
            return TriodeLaw(**values, grid=grid)
        return PentodeLaw(**values, grid=grid)

    return build


def _report(tube: TubeType, fit: Fit) -> str:
    lines = [f"# {tube.name}: plate, screen, grid volts; figure; published, model, deviation"]
    for c in (*fit.comparisons, *fit.held_out):
        basis = "held out" if c in fit.held_out else c.row.basis
        screen = "-" if c.row.screen_v is None else f"{c.row.screen_v:g}"
        lines.append(
            f"#  {c.row.plate_v:6g} {screen:>5} {c.row.grid_v:7g}  {basis:9}"
            f" {c.row.connection:11} {c.figure:20}"
            f" {c.published:10.4g} {c.model:10.4g} {100 * c.deviation:+7.1f} %"
        )
    lines += [_signal_line(c, "fitted") for c in fit.signal]
    lines += [_signal_line(c, "held out") for c in fit.signal_held_out]
    priors = TRIODE_PRIORS if tube.kind == "triode" else PENTODE_PRIORS
    lines.append(f"\n[model.{tube.kind}]")
    lines += [f"{prior.name} = {getattr(fit.law, prior.name):.6g}" for prior in priors]
    lines.append('source = "fit"\n\n[model.residuals]')
    lines += [f"{name} = {value:.3f}" for name, value in residuals_of(fit).items()]
    held_out = [number + 1 for number in sorted(held_out_rows(tube))]
    lines += [f"held_out = {held_out}", 'source = "fit"']
    return "\n".join(lines)


def _signal_line(each: SignalComparison, status: str) -> str:
    row = each.row
    screen = "-" if row.screen_v is None else f"{row.screen_v:g}"
    return (
        f"#  {row.plate_v:6g} {screen:>5} {row.grid_v:7g}  {status:9}"
        f" {row.form} {row.connection:11} {'signal ' + each.figure:20}"
        f" {each.published:10.4g} {each.model:10.4g} {100 * each.deviation:+7.1f} %"
    )


def residuals_of(fit: Fit) -> dict[str, float]:
    """Return the worst deviations by the names of the data file."""
    figures = {
        "plate_worst": ("plate_a", "cathode_a"),
        "screen_worst": ("screen_a",),
        "transconductance_worst": ("transconductance_s",),
    }
    worst = {name: fit.worst(*which) for name, which in figures.items()}
    worst |= {f"held_out_{name}": fit.held_out_worst(*which) for name, which in figures.items()}
    return {name: value for name, value in worst.items() if value is not None}


def main(arguments: Sequence[str]) -> int:
    """Print the fit of each named type."""
    library = load_library()
    for name in arguments:
        tube = library.find(name)
        if tube is None:
            sys.stderr.write(f"{name}: no such tube on file\n")
            return 2
        for section in tube.unlike_sections:
            if section.operation:
                sys.stdout.write(_report(section, fit_type(section)) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
