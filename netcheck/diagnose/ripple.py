"""How likely `ripple(net)=yes` or `no` is under a cause.

Comes in: the answer, a fault (None for a sound unit), the sound circuit and its roles.
Goes out: the probability of that answer.

Where ripple comes over resistors, chokes and capacitors it is computed, so that which
capacitor filters which net need not be guessed.  The circuit is a network at twice the mains
frequency.  A rectifier charges its reservoir in short pulses, which makes it a source of
current there: `Vpp = I/(2 f C)` (derived; any text on rectifiers), so that the resistance
before it counts many times.  How much ripple a fault leaves on the net, times what a
sound unit has there, and whether a meter can see so little, give the probability.  A
leak from heater to cathode is a divider of half the heater volts at mains frequency.

What no network says (pick-up of open grids, electrolytics that leak) has the hum rows of
`evidence_rules.py`, on the nets of the parts at fault and those that they filter.

Known limits: tubes pass no ripple on, but for their cathodes' own resistance; windings
are not coupled; ripple that grows with the current drawn is not counted.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import DriveLevel, SetValue, apply_changes
from netcheck.circuit.linear import solve_network
from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.diagnose.evidence_rules import HUM_LEAST, log_ramp, shown
from netcheck.diagnose.ohms import LEAST_OHM
from netcheck.diagnose.readings import Reading
from netcheck.diagnose.situations import situation_of
from netcheck.faults import word_of
from netcheck.faults.base import Fault, Ripple
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

Complex = NDArray[np.complex128]

LEAK_SIEMENS = 1e-12
"""From every net to ground, so that a net that floats has an answer."""
LEAST, MOST = 0.05, 0.95
"""No yes or no is surer: a probe slips, or what is seen is taken from elsewhere (common
practice)."""
BASE, RESERVOIR_BASE = HUM_LEAST, 0.25
"""Ripple that is called too much in a sound unit; a reservoir has some always (common
practice)."""
MAINS_HZ = 50.0
"""At 60 Hz all ripple is a fifth to a third less, with and without the fault alike."""
PULSED = 100.0
"""A rectifier conducts in pulses: for the ripple its resistance counts this many times."""
PULSED_OHM = 20e3
"""The same for a rectifier whose resistance is its own: some 200 ohm (common practice)."""
RESERVOIR_SHARE, RAW_SHARE = 0.02, 0.05
"""Ripple over direct volts at a sound reservoir, and of a source whose own is not in the
netlist: common practice."""
SEEN_V = (5e-3, 50e-3)
"""From nothing seen to surely seen, on the AC range of a common meter: common practice."""
TOO_MUCH = 4.0
"""Times the usual ripple that anyone calls too much; a capacitor dried to 30 % has 3.3
times, which is the row of 0.9 for hum (common practice)."""
GONE = 0.1
"""This share of the usual ripple reads as none."""
HEATER_V = 3.15
"""Half of a 6.3 V heater, its middle at ground."""
CATHODE_OHM = 500.0
"""What a cathode is to a signal, 1/gm of the usual small and power tubes: 2 mA/V (common
practice)."""
STAGE_GAIN = 10.0
"""A stage driven at its cathode amplifies at least so much: common practice."""
FILTERS = 2.0
"""A capacitor filters a net if the ripple there grows by more when it is open."""
QUIET_V = 1e-9
OF_TUBE = ("plate", "grid")
"""Where an open grid's pick-up shows."""
BY_ROW: tuple[Ripple, ...] = ("source", "half_wave")
"""The source changes and not the network."""


class _Same:
    """A circuit with its roles as a key by identity: they hold mappings."""

    __slots__ = ("circuit", "roles")

    def __init__(self, circuit: Circuit, roles: Roles) -> None:
        self.circuit, self.roles = circuit, roles

    def __hash__(self) -> int:
        return hash((id(self.circuit), id(self.roles)))

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, _Same) and self.circuit is other.circuit and self.roles is other.roles
        )


def ripple_likelihood(
    reading: Reading, fault: Fault | None, circuit: Circuit, roles: Roles
) -> float:
    """Return the probability of the answer under a cause, from 0.05 to 0.95.

    fault: None for a sound unit.  circuit: the sound one.
    """
    if fault is not None and not situation_of(reading.situation).shows(fault):
        fault = None
    yes = min(max(_yes(reading.first, fault, _Same(circuit, roles)), LEAST), MOST)
    return yes if reading.value else 1.0 - yes


def _yes(net: str, fault: Fault | None, sound: _Same) -> float:
    usual_v = _levels(sound).get(net, 0.0)
    reservoirs = {role.of for role in sound.roles.named(RoleName.RESERVOIR_CAPACITOR)}
    base = RESERVOIR_BASE if net in reservoirs else BASE
    if fault is None:
        return base
    how = word_of(fault).ripple
    if how == "heater":
        return _risen(base, math.inf, _heater_v(net, fault, sound))
    if how == "half_wave":
        half_v = _half_wave(sound).get(net, 0.0)
        return _risen(base, (half_v + QUIET_V) / (usual_v + QUIET_V), half_v)
    chance = base
    if how not in BY_ROW and _is_in_network(fault, sound.circuit):
        now_v = _solved(apply_changes(sound.circuit, fault.changes), sound).get(net, 0.0)
        chance = _risen(base, (now_v + QUIET_V) / (usual_v + QUIET_V), now_v)
    listed = shown("hum", fault, sound.roles, 0.0)
    if listed > base and how != "network" and net in _reached(fault, sound):
        chance = max(chance, listed)
    return chance


def _risen(base: float, times: float, volts: float) -> float:
    """Return the probability where ripple is so many times the usual one, and so large."""
    if times < 1.0:
        return base * log_ramp(times, GONE, 1.0)
    more = 1.0 if math.isinf(times) else log_ramp(times, 1.0, TOO_MUCH)
    return base + (MOST - base) * more * log_ramp(volts, *SEEN_V)


def _is_in_network(fault: Fault, circuit: Circuit) -> bool:
    """Say whether a fault changes more than sources and the insides of tubes."""
    for change in fault.changes:
        if isinstance(change, DriveLevel):
            return False
        if isinstance(change, SetValue) and circuit[change.part].kind == "voltage_source":
            continue
        part = circuit.parts.get(getattr(change, "part", ""))
        if part is None or part.kind != "tube":
            return True
    return False


def _reached(fault: Fault, sound: _Same) -> frozenset[str]:
    """Return the nets on which a fault with a row shows: its own, and what it filters.

    With what is at a tube's grid or cathode come the tube's electrodes; with a rectifier
    all nets that carry its ripple.
    """
    circuit, roles = sound.circuit, sound.roles
    how = word_of(fault).ripple
    if how in BY_ROW:
        return frozenset(net for net, volts in _levels(sound).items() if volts > SEEN_V[0] / 10.0)
    found: set[str] = set()
    for ref in fault.parts:
        part = circuit[ref]
        found.update(pin.net for pin in part.pins if part.kind != "tube" or pin.name in OF_TUBE)
        tubes = [role.of for role in roles.of_part(ref) if role.of in circuit.parts]
        for tube in tubes:
            if circuit[tube].kind == "tube" and circuit[tube].has_pin("plate"):
                found.add(circuit[tube].net("plate"))
        if part.kind == "capacitor":
            found |= _filtered(ref, sound)
    held = {one.feed_net for one in roles.bias_supplies} if how == "grid" else set()
    return frozenset(found - held - {GROUND})


@lru_cache(maxsize=256)
def _filtered(ref: str, sound: _Same) -> frozenset[str]:
    """Return the nets on which the ripple can be seen when a capacitor is open."""
    value = sound.circuit[ref].value or 0.0
    without = apply_changes(sound.circuit, (SetValue(ref, 1e-3 * value),))
    usual = _levels(sound)
    return frozenset(
        net
        for net, volts in _solved(without, sound).items()
        if volts > SEEN_V[0] and volts > FILTERS * usual[net]
    )


@lru_cache(maxsize=8)
def _levels(sound: _Same) -> Mapping[str, float]:
    """Return the ripple of a sound unit by net [V rms]."""
    return _solved(sound.circuit, sound)


@lru_cache(maxsize=8)
def _half_wave(sound: _Same) -> Mapping[str, float]:
    """Return the ripple with half of the rectifier gone.

    Short pulses of a mean current have a first harmonic of twice that mean, however often
    they come (Fourier series, derived): as much current at half the frequency.
    """
    return _summed(_transfers(sound.circuit, sound.roles, MAINS_HZ), _sources_v(sound))


def _solved(circuit: Circuit, sound: _Same) -> dict[str, float]:
    return _summed(_transfers(circuit, sound.roles, 2.0 * MAINS_HZ), _sources_v(sound))


def _summed(
    transfers: Mapping[str, Mapping[str, float]], volts: Mapping[str, float]
) -> dict[str, float]:
    """Return the ripple by net: the sources' shares are in no fixed phase."""
    squares: dict[str, float] = {}
    for ref, transfer in transfers.items():
        for net, share in transfer.items():
            squares[net] = squares.get(net, 0.0) + (share * volts.get(ref, 0.0)) ** 2
    return {net: math.sqrt(square) for net, square in squares.items()}


@lru_cache(maxsize=8)
def _sources_v(sound: _Same) -> Mapping[str, float]:
    """Return the ripple of each supply as it acts in the network [V rms].

    Chosen so that a sound reservoir has its usual ripple; at a source without a
    reservoir it is the ripple of the source itself.
    """
    circuit, roles = sound.circuit, sound.roles
    reservoirs = {role.of for role in roles.named(RoleName.RESERVOIR_CAPACITOR)}
    volts: dict[str, float] = {}
    for ref, transfer in _transfers(circuit, roles, 2.0 * MAINS_HZ).items():
        direct_v = abs(circuit[ref].value or 0.0)
        near = max((transfer.get(net, 0.0) for net in reservoirs), default=0.0)
        fed = 0.0 < near < 1.0 and any(
            role.name == RoleName.SUPPLY_SOURCE for role in roles.of_part(ref)
        )
        volts[ref] = direct_v * (RESERVOIR_SHARE / near if fed else RAW_SHARE)
    return volts


def _transfers(circuit: Circuit, roles: Roles, hz: float) -> dict[str, dict[str, float]]:
    """Return by supply how much of 1 V of it arrives at each net."""
    place = {net: at for at, net in enumerate(net for net in circuit.nets if net != GROUND)}
    admittance = _admittance(circuit, roles, hz, place)
    refs = dict.fromkeys(
        role.part
        for role in roles.named(RoleName.SUPPLY_SOURCE, RoleName.BIAS_SOURCE)
        if role.part in circuit.parts and circuit[role.part].kind == "voltage_source"
    )
    drive = np.zeros((len(place), len(refs)), dtype=complex)
    for column, ref in enumerate(refs):
        for net, sign in zip(circuit[ref].nets, (1.0, -1.0), strict=False):
            if net != GROUND:
                drive[place[net], column] += sign / LEAST_OHM
    volts = np.abs(solve_network(admittance, drive, LEAK_SIEMENS))
    return {
        ref: {net: float(volts[at, column]) for net, at in place.items()}
        for column, ref in enumerate(refs)
    }


def _heater_v(net: str, fault: Fault, sound: _Same) -> float:
    """Return what a leak from heater to cathode puts on a net [V rms]."""
    circuit = sound.circuit
    tube = circuit[fault.parts[0]]
    cathode = tube.net("cathode")
    ohm = fault.defect.value if fault.defect is not None else 0.0
    place = {one: at for at, one in enumerate(one for one in circuit.nets if one != GROUND)}
    is_plate = tube.has_pin("plate") and net == tube.net("plate")
    seen = cathode if is_plate else net
    if cathode not in place or seen not in place:
        return 0.0
    drive = np.zeros(len(place), dtype=complex)
    drive[place[cathode]] = 1.0
    admittance = _admittance(circuit, sound.roles, MAINS_HZ, place)
    impedance = solve_network(admittance, drive, LEAK_SIEMENS)
    volts = HEATER_V * abs(impedance[place[seen]] / (impedance[place[cathode]] + ohm))
    return float(volts) * (STAGE_GAIN if is_plate else 1.0)


def _admittance(circuit: Circuit, roles: Roles, hz: float, place: Mapping[str, int]) -> Complex:
    matrix = np.diag(np.full(len(place), LEAK_SIEMENS, dtype=complex))
    for part in circuit:
        for first, second, siemens in _branches(part, roles, 2.0 * math.pi * hz):
            if first == second:
                continue
            for near, far in ((first, second), (second, first)):
                if near != GROUND:
                    matrix[place[near], place[near]] += siemens
                    if far != GROUND:
                        matrix[place[near], place[far]] -= siemens
    return matrix


def _branches(part: Part, roles: Roles, omega: float) -> Iterator[tuple[str, str, complex]]:
    """Yield what a part is in the network: two nets and an admittance [S]."""
    match part.kind:
        case "resistor":
            pulsed = any(
                role.name == RoleName.SUPPLY_RESISTANCE for role in roles.of_part(part.ref)
            )
            ohm = max(part.value or 0.0, LEAST_OHM) * (PULSED if pulsed else 1.0)
            yield part.nets[0], part.nets[1], complex(1.0 / ohm)
        case "capacitor":
            yield part.nets[0], part.nets[1], 1j * omega * (part.value or 0.0)
        case "inductor":
            wire = max(part.note.dcr_ohm or 0.0, LEAST_OHM)
            yield part.nets[0], part.nets[1], 1.0 / (wire + 1j * omega * (part.value or 0.0))
        case "voltage_source":
            yield part.nets[0], part.nets[1], complex(1.0 / LEAST_OHM)
        case "diode":
            if any(role.name == RoleName.RECTIFIER_DIODE for role in roles.of_part(part.ref)):
                yield part.nets[0], part.nets[1], complex(1.0 / PULSED_OHM)
        case "tube":
            yield from _of_tube(part)


def _of_tube(tube: Part) -> Iterator[tuple[str, str, complex]]:
    if not tube.has_pin("cathode"):
        return
    cathode = tube.net("cathode")
    if tube.has_pin("grid"):
        yield cathode, GROUND, complex(1.0 / CATHODE_OHM)
        return
    for pin in tube.pins:
        if pin.name not in ("cathode", "heater"):
            yield pin.net, cathode, complex(1.0 / PULSED_OHM)
