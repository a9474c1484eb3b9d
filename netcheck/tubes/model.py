"""The current laws of triodes, pentodes, beam tetrodes and rectifiers.

Comes in: electrode volts to cathode, as numbers or arrays.  Goes out: electrode
currents in ampere, positive into the electrode.

The space current follows Koren ("Improved vacuum tube models for SPICE
simulations", Glass Audio 8(5), 1996): an effective voltage with a soft cut-off,
raised to a power near 3/2.  In a pentode the screen takes the place of the
plate, and the plate reaches through it by a small share (`plate_penetration`).
The space current is divided by two laws.  What the screen wires catch follows Tank
(Jahrbuch der drahtlosen Telegraphie 20, 1922, 82; Spangenberg, Vacuum Tubes, 1948,
chapter on current division): plate over screen current goes with the root of plate over
screen volts.  A straight line through the value at equal volts stands for it here, which
has no corner at zero volts and takes no root: its slope is half the value by Tank's
root, and next to nothing behind a suppressor that shields the screen.  Of what the
wires let through z^n/(1+z^n) reaches the plate, with z the plate volts over a knee that
grows with the effective voltage, because the plate's own 3/2-power limit does (Child's
law); the rest returns to the screen.  The same formula serves pentode, ultralinear and
triode connection.

Other forms were fitted to the same rows and cycles of nine power types and met them no
better (sum of squares; idle screen currents off by more than 25 %): this form 84, 9 of
46; a constant share 89, 15; Tank's root 91, 10; half the value as slope 88, 9, but the
slopes of small pentodes three times too high; the root with a height, a knee and a
power of the return's own 84, 10 (three constants more); the screen over the plate volts
alone 163, 30.  Secondary emission from plate to screen is left out: no row on file
shows the kink of a tetrode, all types have a suppressor or a beam.

Positive grid current follows Dempwolf and Zoelzer (DAFx-11, 2011).  Out of the
grid flows gas current, a share of the space current, and insulation leakage.  A
rectifier's plate follows the 3/2-power law through the drop its sheet prints.

Every formula has a continuous slope, and volts are clamped far outside of use
(`CLAMP`), because a solver's iterations visit 1e155 V.
`solve/device_cards.py` writes the same formulas for ngspice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from netcheck.tubes.types import TubeType

Amps = NDArray[np.float64]

CLAMP_LOW_V = -1.0e3
CLAMP_HIGH_V = 1.0e4
GRID_CLAMP_HIGH_V = 1.0e3
KNEE_FLOOR_V = 1.0
"""Knee at vanishing current: initial velocities and contact potential are about a volt."""
CHILD = 1.5
"""Exponent of the space-charge law of a diode (Child, Phys. Rev. 32, 1911, 492)."""
RECTIFIER_SHARPNESS_PER_V = 10.0
"""About e/kT of an oxide cathode at 1000 K: 11.6 per volt."""
SHARE_FLOOR_V = 1.0
"""Of the volts that current divides by: those of initial velocities, as at the knee."""
SCREEN_FLOOR_V = 3.0
"""A screen within a few volts of the cathode collects little, one below it nothing."""


def _clamp(volts: ArrayLike, high: float = CLAMP_HIGH_V) -> Amps:
    return np.clip(np.asarray(volts, dtype=np.float64), CLAMP_LOW_V, high)


def _softplus(x: Amps) -> Amps:
    """Return ln(1+exp(x)), written so that no exponent grows."""
    return np.asarray(np.maximum(x, 0.0) + np.log(1.0 + np.exp(-np.abs(x))))


@dataclass(frozen=True, slots=True)
class GridLaw:
    """Grid current; see `GridParameters` for where the constants come from.

    perveance: [A/V^exponent] of the positive grid as a diode.
    sharpness_per_v: [1/V] initial velocities; e/kT of the cathode is about 10.
    gas_ratio: ion current over space current.
    leakage_ohm: insulation to the nearest positive electrode.
    """

    perveance: float
    exponent: float
    sharpness_per_v: float
    gas_ratio: float
    leakage_ohm: float

    def positive_a(self, grid_v: ArrayLike) -> Amps:
        """Electron current into the grid [A], whatever its sign of voltage."""
        x = self.sharpness_per_v * _clamp(grid_v, GRID_CLAMP_HIGH_V)
        drive = _softplus(x) / self.sharpness_per_v
        return np.asarray(self.perveance * np.power(drive, self.exponent))


@dataclass(frozen=True, slots=True)
class TriodeLaw:
    """Currents of one triode section.

    amplification: mu.  exponent, perveance: I = perveance * E^exponent.
    cutoff_sharpness: Koren's kp, larger is sharper.
    low_plate_v: plate volts below which the grid loses influence.
    grid_offset_v: contact potential added to the grid.
    """

    amplification: float
    exponent: float
    perveance: float
    cutoff_sharpness: float
    low_plate_v: float
    grid_offset_v: float
    grid: GridLaw

    def effective_v(self, plate_v: ArrayLike, grid_v: ArrayLike) -> Amps:
        """Koren's E1 [V]; never negative."""
        u = np.maximum(_clamp(plate_v), 0.0)
        w = _clamp(grid_v, GRID_CLAMP_HIGH_V) + self.grid_offset_v
        inner = 1.0 / self.amplification + w / np.sqrt(self.low_plate_v**2 + u * u)
        return np.asarray(u * _softplus(self.cutoff_sharpness * inner) / self.cutoff_sharpness)

    def currents(self, plate_v: ArrayLike, grid_v: ArrayLike) -> tuple[Amps, Amps]:
        """Return plate and grid current [A]."""
        space = self.perveance * np.power(self.effective_v(plate_v, grid_v), self.exponent)
        leak = (np.asarray(plate_v, float) - np.asarray(grid_v, float)) / self.grid.leakage_ohm
        grid = self.grid.positive_a(grid_v) - self.grid.gas_ratio * space - leak
        return np.asarray(space + leak), np.asarray(grid)

    def scaled(self, factor: float) -> TriodeLaw:
        """Return the law of a stronger or weaker tube (emission times `factor`)."""
        grid = replace(self.grid, perveance=self.grid.perveance * factor)
        return replace(self, perveance=self.perveance * factor, grid=grid)


@dataclass(frozen=True, slots=True)
class PentodeLaw:
    """Currents of a pentode or beam tetrode.

    amplification: of grid 1 to screen.  plate_penetration: effect of a plate
    volt over that of a screen volt.  knee_factor: knee volts per effective
    volt.  knee_exponent: larger is sharper.  screen_share: what the screen
    wires catch at equal volts.  plate_pull: by what share of its value the ratio of
    plate to screen current rises as plate volts rise by those of the screen.  The rest
    as in `TriodeLaw`.
    """

    amplification: float
    exponent: float
    perveance: float
    cutoff_sharpness: float
    low_screen_v: float
    plate_penetration: float
    knee_factor: float
    knee_exponent: float
    screen_share: float
    plate_pull: float
    grid: GridLaw

    def effective_v(self, plate_v: ArrayLike, screen_v: ArrayLike, grid_v: ArrayLike) -> Amps:
        """Effective voltage [V] that sets the space current; never negative."""
        # softplus rounds the volts off over about a volt at zero
        u = _softplus(_clamp(screen_v)) + self.plate_penetration * _softplus(_clamp(plate_v))
        w = _clamp(grid_v, GRID_CLAMP_HIGH_V)
        inner = 1.0 / self.amplification + w / np.sqrt(self.low_screen_v**2 + u * u)
        return np.asarray(u * _softplus(self.cutoff_sharpness * inner) / self.cutoff_sharpness)

    @property
    def division(self) -> float:
        """Plate over screen current by interception at equal volts."""
        return (1.0 - self.screen_share) / self.screen_share

    def caught(self, plate_v: ArrayLike, screen_v: ArrayLike) -> Amps:
        """Share of the space current that the screen wires catch, above the knee."""
        plate = np.maximum(_clamp(plate_v), 0.0) + SHARE_FLOOR_V
        screen = _softplus(_clamp(screen_v)) + SHARE_FLOOR_V
        volts = 1.0 - self.plate_pull + self.plate_pull * plate / screen
        return np.asarray(1.0 / (1.0 + self.division * volts))

    def currents(
        self, plate_v: ArrayLike, screen_v: ArrayLike, grid_v: ArrayLike
    ) -> tuple[Amps, Amps, Amps]:
        """Return plate, screen and grid current [A]."""
        effective = self.effective_v(plate_v, screen_v, grid_v)
        space = self.perveance * np.power(effective, self.exponent)
        knee_v = self.knee_factor * effective + KNEE_FLOOR_V
        reach = np.power(np.maximum(_clamp(plate_v), 0.0) / knee_v, self.knee_exponent)
        plate = (1.0 - self.caught(plate_v, screen_v)) * reach / (1.0 + reach)
        collected = np.square(np.maximum(_clamp(screen_v), 0.0))
        collected = collected / (collected + SCREEN_FLOOR_V**2)
        leak = (np.asarray(screen_v, float) - np.asarray(grid_v, float)) / self.grid.leakage_ohm
        grid = self.grid.positive_a(grid_v) - self.grid.gas_ratio * space - leak
        return (
            np.asarray(space * plate),
            np.asarray(space * (1.0 - plate) * collected + leak),
            np.asarray(grid),
        )

    def scaled(self, factor: float) -> PentodeLaw:
        """Return the law of a stronger or weaker tube (emission times `factor`)."""
        grid = replace(self.grid, perveance=self.grid.perveance * factor)
        return replace(self, perveance=self.perveance * factor, grid=grid)


@dataclass(frozen=True, slots=True)
class RectifierLaw:
    """Current of one plate of a rectifier: Child's law, rounded off at zero.

    perveance: [A/V^1.5].  The rounding is that of initial velocities: some
    microamperes flow against a fraction of a volt, and no slope ever vanishes at once.
    """

    perveance: float

    def current_a(self, plate_v: ArrayLike) -> Amps:
        """Return plate current [A] at plate volts to cathode; never negative."""
        x = RECTIFIER_SHARPNESS_PER_V * _clamp(plate_v)
        drive = _softplus(x) / RECTIFIER_SHARPNESS_PER_V
        return np.asarray(self.perveance * np.power(drive, CHILD))

    def drop_v(self, plate_a: ArrayLike) -> Amps:
        """Return the drop at a plate current, initial velocities left out [V]."""
        return np.asarray(np.power(np.asarray(plate_a, float) / self.perveance, 1.0 / CHILD))

    def scaled(self, factor: float) -> RectifierLaw:
        """Return the law of a stronger or weaker tube."""
        return replace(self, perveance=self.perveance * factor)


Law = TriodeLaw | PentodeLaw


def space_currents(law: Law, plate_v: Amps, screen_v: Amps, grid_v: Amps) -> tuple[Amps, Amps]:
    """Return plate and screen current [A] of either kind of law."""
    if isinstance(law, TriodeLaw):
        plate, _ = law.currents(plate_v, grid_v)
        return plate, np.zeros_like(plate)
    plate, screen, _ = law.currents(plate_v, screen_v, grid_v)
    return plate, screen


def law_of(tube: TubeType) -> Law:
    """Build the current law of an amplifying type from the parameters on file."""
    fitted = tube.model.triode or tube.model.pentode
    if fitted is None:
        raise TypeError(f"{tube.name} is a {tube.kind}: it has no grid")
    constants = fitted.model_dump(exclude={"source"})
    law = TriodeLaw if tube.model.triode else PentodeLaw
    return law(**constants, grid=grid_law_of(tube)).scaled(tube.model.current_scale)


def grid_law_of(tube: TubeType) -> GridLaw:
    """Build the law of the grid current of an amplifying type."""
    g = tube.model.grid
    if g is None:
        raise TypeError(f"{tube.name} is a {tube.kind}: it has no grid")
    return GridLaw(g.perveance, g.exponent, g.sharpness_per_v, g.gas_ratio, g.leakage_ohm)


def rectifier_law_of(tube: TubeType) -> RectifierLaw:
    """Build the law of one plate of a rectifier from the drop in use."""
    drop = tube.drop_in_use
    if drop is None:
        raise TypeError(f"{tube.name} is a {tube.kind}, not a rectifier")
    return RectifierLaw(drop.plate_a / drop.drop_v**CHILD)
