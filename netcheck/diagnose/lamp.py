"""A lamp in series with the mains, and where lamp and amplifier settle.

Comes in: the lamp's rating, the mains, and the watts that the amplifier takes at a
share of its mains.  Goes out: that share, and the volts over the lamp.

A tungsten filament's resistance rises with its heat: the current goes by the volts
to the power 0.55 (published rule of lamp rerating; the power then by 1.55), down to
the cold filament, a twelfth of the hot resistance (from memory).  The amplifier is
taken as a load in phase: its watts over its volts are its current.  A rectifier's
current is peaky, so that a real lamp glows a little more than this says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from netcheck.errors import NetcheckError
from netcheck.units import format_quantity, parse_quantity

EXPONENT = 0.55
COLD_SHARE = 1.0 / 12.0
LAMP_SOURCE = (
    "current of a tungsten lamp by volts to the power 0.55: published rule of lamp rerating; "
    "cold filament a twelfth of the hot resistance: from memory"
)
STEPS = 60


@dataclass(frozen=True, slots=True)
class Lamp:
    """An incandescent lamp by its rating."""

    rated_w: float
    rated_v: float

    @property
    def hot_ohm(self) -> float:
        """Resistance at its rated volts [ohm]."""
        return self.rated_v**2 / self.rated_w

    def volts(self, ampere: float) -> float:
        """Return the volts over the lamp at a current [V]."""
        if ampere <= 0.0:
            return 0.0
        share = ampere * self.rated_v / self.rated_w
        hot = float(self.rated_v * share ** (1.0 / EXPONENT))
        return max(hot, ampere * self.hot_ohm * COLD_SHARE)

    @property
    def words(self) -> str:
        """The lamp as it was asked for."""
        return f"{format_quantity(self.rated_w, 'W', 3)} at {self.rated_v:g} V"


@dataclass(frozen=True, slots=True)
class Settled:
    """Where lamp and amplifier settle: the amplifier's share of the mains, and volts."""

    share: float
    lamp_v: float
    lamp_w: float
    ampere: float


def parse_lamp(text: str) -> Lamp:
    """Read `60W@230V`."""
    watts, at, volts = text.partition("@")
    hint = "write rated watts and volts, such as 60W@230V"
    if not at:
        raise NetcheckError(f"--lamp: `{text}` is not a lamp", hint=hint)
    try:
        lamp = Lamp(parse_quantity(watts, "W"), parse_quantity(volts, "V"))
    except NetcheckError as error:
        raise NetcheckError(f"--lamp: {error.message}", hint=hint) from error
    if lamp.rated_w <= 0.0 or lamp.rated_v <= 0.0:
        raise NetcheckError(f"--lamp: `{text}` has to be more than zero", hint=hint)
    return lamp


def settle(lamp: Lamp, mains_v: float, taken_w: Callable[[float], float]) -> Settled:
    """Return where they settle; `taken_w` gives the amplifier's watts at a share of mains.

    From low volts upward: the amplifier comes up from nothing, and where more than one
    point balances it stays at the first.
    """

    def excess(share: float) -> float:
        volts = share * mains_v
        return volts + lamp.volts(taken_w(share) / volts) - mains_v

    low, high = 1e-3, 1.0
    for number in range(1, STEPS + 1):
        share = number / STEPS
        if excess(share) >= 0.0:
            low, high = max(low, (number - 1) / STEPS), share
            break
    for _ in range(STEPS):
        middle = (low + high) / 2.0
        low, high = (low, middle) if excess(middle) >= 0.0 else (middle, high)
    ampere = taken_w(high) / (high * mains_v)
    over_lamp = mains_v * (1.0 - high)
    return Settled(high, over_lamp, over_lamp * ampere, ampere)
