"""At which reading to switch off, or not to switch on.

Comes in: a measurement with its band and, for output tubes, the state in which the
plate reaches its limit.  Goes out: a `Stop`, or None where no reading of it alone
says that something is about to be damaged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.bench import value_in
from netcheck.diagnose.heat_limit import HeatLimit
from netcheck.diagnose.meters import Meter
from netcheck.diagnose.ohms import Network
from netcheck.diagnose.plan import Wanted
from netcheck.judge.base import PartLimit
from netcheck.report.expect_model import Stop
from netcheck.solve.results import Solved

SHORTED_SUPPLY_OHM = 50e3
"""Least resistance of a B+ line to ground that has nothing across it: common practice."""
LEAST_CATHODE_OHM = 20.0
"""Below this a cathode resistor is there to read a current, and leads count."""
NEGATIVE_V = -3.0
"""A grid more negative than this is biased from a supply."""
HALF = 0.5


@dataclass(frozen=True, slots=True)
class Stops:
    """What is known for judging when to stop.

    heat: by output tube; limits: plate limits by tube; healthy: at idle.
    network: what stands behind a net with the supplies on, for the meter's load at a
    stop value, which may need another range than the nominal one.
    """

    circuit: Circuit
    outputs: tuple[str, ...]
    heat: Mapping[str, HeatLimit]
    limits: Mapping[str, PartLimit]
    healthy: Solved
    meter: Meter
    network: Network

    def power_off(self, wanted: Wanted, nominal: float, low: float, high: float) -> Stop | None:
        """Return when not to switch on."""
        of_output = any(ref in self.outputs for ref in wanted.tubes)
        if wanted.purpose == "rail":
            least = SHORTED_SUPPLY_OHM if math.isinf(low) else HALF * low
            return Stop("below", least, "something shorts the supply")
        if math.isinf(nominal) or not of_output:
            return None
        if wanted.purpose in ("grid", "bias"):
            return Stop("above", 2.0 * high, "no sound path from the grid to its bias")
        if wanted.purpose == "cathode" and nominal >= LEAST_CATHODE_OHM:
            return Stop("below", HALF * low, "the cathode has lost its bias resistance")
        if wanted.purpose == "winding":
            return Stop("above", 2.0 * high, "an open primary: the screen takes the current")
        return None

    def tubes_out(self, wanted: Wanted, low: float) -> Stop | None:
        """Return when not to put the tubes in."""
        if wanted.purpose == "rail":
            return self._rail(wanted, low)
        heat = self._heat(wanted)
        if wanted.purpose in ("grid", "bias") and heat is not None:
            value = self._as_read(wanted, _grid_v(self.circuit, heat.tube, heat.out))
            return Stop("above", value, f"{heat.tube} would run at {heat.limit_w:.3g} W")
        return None

    def reduced(self, wanted: Wanted, nominal: float, low: float, high: float) -> Stop | None:
        """Return when not to go further up."""
        if wanted.purpose == "rail":
            return Stop("below", HALF * low, "something loads the supply down")
        if wanted.purpose in ("grid", "bias") and nominal < NEGATIVE_V:
            return self._reduced_bias(wanted, nominal)
        if wanted.purpose == "current" and any(ref in self.outputs for ref in wanted.tubes):
            return Stop("above", 1.5 * high, "more current than this share of the mains explains")
        return None

    def idle(self, wanted: Wanted, nominal: float, low: float, share: float) -> Stop | None:
        """Return when to switch off at once."""
        if wanted.purpose == "rail":
            return self._rail(wanted, low)
        if wanted.purpose == "watts":
            limit = self.limits.get(wanted.tubes[0])
            return Stop("above", limit.compared_limit, "plate limit") if limit else None
        heat = self._heat(wanted)
        if heat is None:
            return None
        if wanted.purpose == "bias":
            value = self._as_read(wanted, _grid_v(self.circuit, heat.tube, heat.hot))
            return Stop("above", value, f"{heat.tube} at its {heat.limit_w:.3g} W")
        if wanted.purpose in ("grid", "cathode", "current"):
            value = value_in(wanted, heat.hot)
            value = self._as_read(wanted, value) if wanted.purpose == "grid" else share * value
            if value > nominal:
                return Stop("above", value, f"{heat.tube} at its {heat.limit_w:.3g} W")
        return None

    def coupler_leak_ohm(self, wanted: Wanted) -> float | None:
        """Return the leak of a coupling capacitor that brings its tube to its limit.

        It is the leak in use, with the volts that stand on the capacitor then.
        """
        heat = self._heat(wanted)
        if heat is None:
            return None
        source_v = 0.0 if wanted.net_a == GROUND else self.healthy.nets[wanted.net_a]
        grid_v = _grid_v(self.circuit, heat.tube, heat.hot)
        return (source_v - grid_v) / heat.ampere if source_v > grid_v else None

    def _reduced_bias(self, wanted: Wanted, nominal: float) -> Stop:
        """Return the full-mains stop in proportion; watts fall faster than the mains."""
        heat = self._heat(wanted)
        sound_v = _grid_v(self.circuit, heat.tube, self.healthy) if heat else 0.0
        if heat is None or sound_v >= NEGATIVE_V:
            return Stop("above", HALF * nominal, "half of the bias is missing")
        share = _grid_v(self.circuit, heat.tube, heat.hot) / sound_v
        why = f"{heat.tube} would reach {heat.limit_w:.3g} W on full mains"
        return Stop("above", share * nominal, why)

    def _as_read(self, wanted: Wanted, volts: float) -> float:
        """Return what the meter makes of the volts of a net."""
        behind = self.network.ohm(wanted.net_a, wanted.net_b)
        ohm = self.meter.load_ohm(volts)
        return volts if math.isinf(behind) else volts * ohm / (ohm + behind)

    def _heat(self, wanted: Wanted) -> HeatLimit | None:
        return next((self.heat[ref] for ref in wanted.tubes if ref in self.heat), None)

    def _rail(self, wanted: Wanted, low: float) -> Stop:
        ratings = [
            part.note.volts_v
            for part in self.circuit.parts_on.get(wanted.net_a, ())
            if part.kind == "capacitor" and part.note.volts_v and GROUND in part.nets
        ]
        if ratings:
            return Stop("above", min(ratings), "rating of the capacitor there")
        return Stop("below", HALF * low, "something loads the supply down")


def _grid_v(circuit: Circuit, tube: str, state: Solved) -> float:
    net = circuit[tube].net("grid")
    return 0.0 if net == GROUND else state.nets[net]
