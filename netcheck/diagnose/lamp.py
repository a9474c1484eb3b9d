"""A lamp in series with the mains, and where lamp and amplifier settle.

Comes in: the lamp's rating, the circuit and its sources on the mains.  Goes out: the settled
share of the mains and the volts over the lamp, with cold and with hot tubes, and what was
taken for granted.

A tungsten filament's resistance rises with its heat: the current goes by the volts
to the power 0.55 (published rule of lamp rerating; the power then by 1.55), down to
the cold filament, a twelfth of the hot resistance (from memory).  The amplifier is
taken as a load in phase: its watts over its volts are its current.  A rectifier's
current is peaky, so that a real lamp glows a little more than this says.  The netlist has
the supply as DC sources, so the transformer is not in it: the load is what they deliver,
solved at several shares of the mains, over an efficiency, and the heaters from the tubes'
data, whose filaments follow the same law as the lamp's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from netcheck.circuit.changes import Change
from netcheck.circuit.model import Circuit
from netcheck.diagnose.bench import SolvedBench
from netcheck.diagnose.situations import Situation
from netcheck.errors import NetcheckError
from netcheck.solve.results import Outcome, Solved
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


EFFICIENCY = 0.85
"""Of transformer and rectifier together: common practice."""
SHARES = (0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


@dataclass(frozen=True, slots=True)
class LampPoints:
    """Where lamp and amplifier settle with tubes cold, and with tubes hot."""

    cold: Settled
    hot: Settled
    full_w: float
    remarks: tuple[str, ...]


def lamp_points(
    bench: SolvedBench, on_mains: Sequence[str], lamp: Lamp, mains_v: float
) -> LampPoints | None:
    """Return the settled points; None where the supply was not solved."""
    circuit = bench.circuit
    heater_w, unknown = heater_watts(circuit)
    curves = {}
    for hot in (False, True):
        variants = [_variant(circuit, on_mains, share, hot) for share in SHARES]
        watts = [_supplied_w(one, on_mains) for one in bench.solve(variants)]
        if any(one is None for one in watts):
            return None
        curves[hot] = np.array([one or 0.0 for one in watts])

    def taken(hot: bool, share: float) -> float:
        supply = float(np.interp(share, SHARES, curves[hot]))
        return float((supply + heater_w * share ** (1.0 + EXPONENT)) / EFFICIENCY)

    settled = {hot: settle(lamp, mains_v, partial(taken, hot)) for hot in curves}
    remarks = [
        f"lamp: {LAMP_SOURCE}",
        f"heaters {heater_w:.0f} W from the tubes' data; transformer and rectifier pass "
        f"{EFFICIENCY:.0%} (common practice); their windings are not in the netlist",
    ]
    if unknown:
        remarks.append(f"heaters of {', '.join(unknown)} are not on file: left out")
    return LampPoints(settled[False], settled[True], taken(True, 1.0), tuple(remarks))


def heater_watts(circuit: Circuit) -> tuple[float, tuple[str, ...]]:
    """Return the watts of all heaters, each bulb once, and the tubes without figures."""
    watts = 0.0
    unknown: list[str] = []
    for bulb in circuit.bulbs:
        heaters = [tube.tube.heater for tube in bulb if tube.tube and tube.tube.heater]
        if heaters:
            watts += heaters[0].voltage_v * heaters[0].current_a
        unknown += [tube.ref for tube in bulb if tube.tube is None or tube.tube.heater is None]
    return watts, tuple(unknown)


def _variant(
    circuit: Circuit, on_mains: Sequence[str], share: float, hot: bool
) -> tuple[Change, ...]:
    return Situation("lamp", share).changes(circuit, on_mains, hot)


def _supplied_w(outcome: Outcome, on_mains: Sequence[str]) -> float | None:
    if not isinstance(outcome, Solved):
        return None
    return max(0.0, -sum(outcome.parts[ref].power_w for ref in on_mains))
