"""Circuits for the tests: hand-built ones with their roles, and netlists as they are read.

The hand-built ones test faults without reader and recogniser; the others hold one of
everything a fault may befall.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from netcheck.circuit.build import build_circuit
from netcheck.circuit.model import Circuit, Coupling, Part, PartKind, Pin, natural_key
from netcheck.netlist import read_netlist, read_netlist_text
from netcheck.netlist.cards import PartNote
from netcheck.roles import recognise
from netcheck.roles.base import BiasSupply, OutputTransformer, Role, Roles
from netcheck.roles.table import RoleName
from netcheck.tubes.library import load_library

HERE = Path(__file__).parent
CHECKOUT = HERE.parent.parent

TIGHT = 0.9998
"""Coupling of every pair of windings."""


def two_pin(
    kind: PartKind, ref: str, first: str, second: str, value: float, note: PartNote | None = None
) -> Part:
    return Part(ref, kind, (Pin("a", first), Pin("b", second)), value, note or PartNote())


def r(ref: str, first: str, second: str, ohm: float, note: PartNote | None = None) -> Part:
    return two_pin("resistor", ref, first, second, ohm, note)


def c(ref: str, first: str, second: str, farad: float, note: PartNote | None = None) -> Part:
    return two_pin("capacitor", ref, first, second, farad, note)


def coil(ref: str, first: str, second: str, henry: float, note: PartNote | None = None) -> Part:
    return two_pin("inductor", ref, first, second, henry, note)


def v(ref: str, plus: str, minus: str, volts: float) -> Part:
    return two_pin("voltage_source", ref, plus, minus, volts)


def triode(ref: str, plate: str, grid: str, cathode: str) -> Part:
    pins = (Pin("plate", plate), Pin("grid", grid), Pin("cathode", cathode))
    return Part(ref, "tube", pins, None, PartNote())


def pentode(ref: str, plate: str, screen: str, grid: str, cathode: str) -> Part:
    pins = tuple(
        Pin(name, net)
        for name, net in zip(
            ("plate", "screen", "grid", "cathode"), (plate, screen, grid, cathode), strict=True
        )
    )
    return Part(ref, "tube", pins, None, PartNote())


def circuit_of(parts: list[Part], factor: float = TIGHT) -> Circuit:
    """Build a circuit in which every winding couples with every other."""
    ordered = sorted(parts, key=lambda part: natural_key(part.ref))
    coils = [part.ref for part in ordered if part.kind == "inductor"]
    couplings = tuple(
        Coupling(f"K{first}{second}", first, second, factor)
        for number, first in enumerate(coils)
        for second in coils[number + 1 :]
    )
    return Circuit("test", {part.ref: part for part in ordered}, couplings)


def role(part: str, name: str, of: str, source_net: str = "", feeds: str = "") -> Role:
    return Role(part, RoleName(name), of, "by hand", 1.0, source_net, feeds)


def roles_of(
    roles: list[Role],
    transformers: tuple[OutputTransformer, ...] = (),
    bias: tuple[BiasSupply, ...] = (),
) -> Roles:
    return Roles(tuple(roles), (), transformers, bias, (), None, ())


def fixed_bias_pair(**swapped: Part) -> tuple[Circuit, Roles]:
    """A long-tailed pair driving two pentodes with fixed bias from a pot.

    `swapped` replaces parts by ref.
    """
    pot = {"upper": PartNote(pot="VR1", pot_side="upper"), "lower": PartNote(pot="VR1")}
    parts = [
        v("V0", "bp", "0", 430.0),
        triode("V1", "p1", "g1", "kk"),
        triode("V2", "p2", "g2", "kk"),
        r("R1", "bp", "p1", 82e3),
        r("R2", "bp", "p2", 91e3),
        r("R3", "kk", "kt", 470.0),
        r("R4", "kt", "0", 22e3),
        c("C3", "p1", "g3a", 100e-9, PartNote(dielectric="paper")),
        c("C4", "p2", "g4a", 100e-9),
        r("R12", "g3a", "w", 220e3),
        r("R13", "g4a", "w", 220e3),
        r("R14", "g3a", "g3", 1.5e3),
        r("R15", "g4a", "g4", 1.5e3),
        pentode("V3", "p3", "bp", "g3", "0"),
        pentode("V4", "p4", "bp", "g4", "0"),
        coil("L1", "p3", "bp", 10.0, PartNote(dcr_ohm=80.0, turns=1400.0)),
        coil("L2", "bp", "p4", 10.0, PartNote(dcr_ohm=90.0)),
        coil("L3", "s", "0", 0.08),
        r("R30", "s", "0", 8.0),
        v("V5", "nb", "0", -60.0),
        r("R19", "nb", "u", 6.8e3),
        r("R20", "u", "w", 4e3, pot["upper"]),
        r("R21", "w", "d", 6e3, pot["lower"]),
        r("R22", "d", "0", 15e3),
    ]
    table = {part.ref: part for part in parts} | swapped
    listed = [
        role("R3", "cathode_resistor", "V1"),
        role("R3", "cathode_resistor", "V2"),
        role("R4", "tail_resistor", "V1"),
        role("C3", "coupling_capacitor", "V1", "p1", "g3a"),
        role("C4", "coupling_capacitor", "V2", "p2", "g4a"),
        role("R12", "grid_leak", "V3"),
        role("R13", "grid_leak", "V4"),
        role("R14", "grid_stopper", "V3"),
        role("R15", "grid_stopper", "V4"),
        role("R19", "bias_divider", "V5"),
        role("R20", "bias_pot", "V5"),
        role("R21", "bias_pot", "V5"),
        role("R22", "bias_divider", "V5"),
    ]
    transformer = OutputTransformer(
        {"V3": ("L1",), "V4": ("L2",)}, "bp", ("L3",), "R30", {"V3": "", "V4": ""}
    )
    bias = BiasSupply("V5", "w", ("V3", "V4"), ("R20", "R21"), ("R19",))
    return circuit_of(list(table.values())), roles_of(listed, (transformer,), (bias,))


def ultralinear_pair(tap: float = 0.4) -> tuple[Circuit, Roles]:
    """A cathodyne driving two pentodes with 40 % taps and cathode bias; no `dcr=` notes.

    `tap` is the share of a half's turns between center tap and screen tap.
    """
    half_h = 8.0
    outer, inner = half_h * (1.0 - tap) ** 2, half_h * tap**2
    parts = [
        v("V0", "bp", "0", 420.0),
        triode("V1", "p1", "g1", "k1"),
        r("R1", "bp", "p1", 47e3),
        r("R2", "k1", "kc", 1.5e3),
        r("R5", "kc", "0", 47e3),
        c("C1", "p1", "g3", 220e-9, PartNote(dielectric="polypropylene film")),
        c("C2", "k1", "g4", 220e-9, PartNote(age_years=60.0)),
        r("R12", "g3", "0", 470e3),
        r("R13", "g4", "0", 470e3),
        pentode("V3", "p3", "t3", "g3", "k3"),
        pentode("V4", "p4", "t4", "g4", "k4"),
        r("R9", "k3", "0", 470.0),
        r("R10", "k4", "0", 470.0),
        c("C5", "k3", "0", 100e-6),
        c("C6", "k4", "0", 100e-6),
        coil("L1", "p3", "t3", outer),
        coil("L2", "t3", "bp", inner),
        coil("L3", "bp", "t4", inner),
        coil("L4", "t4", "p4", outer),
        coil("L5", "s", "0", 0.04),
        r("R30", "s", "0", 8.0),
    ]
    listed = [
        role("R2", "cathode_resistor", "V1"),
        role("C1", "coupling_capacitor", "V1", "p1", "g3"),
        role("C2", "coupling_capacitor", "V1", "k1", "g4"),
        role("R12", "grid_leak", "V3"),
        role("R13", "grid_leak", "V4"),
        role("R9", "cathode_resistor", "V3"),
        role("R10", "cathode_resistor", "V4"),
        role("C5", "cathode_bypass_capacitor", "V3"),
        role("C6", "cathode_bypass_capacitor", "V4"),
    ]
    transformer = OutputTransformer(
        {"V3": ("L1", "L2"), "V4": ("L4", "L3")}, "bp", ("L5",), "R30", {"V3": "t3", "V4": "t4"}
    )
    return circuit_of(parts), roles_of(listed, (transformer,))


@cache
def el34_pair() -> tuple[Circuit, Roles]:
    """The fixed-bias demo: bias supply and pot, choke, droppers, feedback, bleeder."""
    return read(CHECKOUT / "circuits" / "el34_pair_fixed_bias.cir")


@cache
def kt88_pair() -> tuple[Circuit, Roles]:
    """The cathode-bias demo: ultralinear taps, direct coupling, a raised heater."""
    return read(CHECKOUT / "circuits" / "kt88_ultralinear_cathode_bias.cir")


@cache
def line_preamp() -> tuple[Circuit, Roles]:
    """The demo without an output stage: volume control, follower, output capacitor."""
    return read(CHECKOUT / "circuits" / "12ax7_preamp.cir")


@cache
def radio_output() -> tuple[Circuit, Roles]:
    """Back bias, a screen bypass, a diode between source and B+, a zobel."""
    return read(HERE / "cases" / "radio_output.cir")


@cache
def rectifier_amplifier() -> tuple[Circuit, Roles]:
    """A single-ended amplifier with a rectifier tube between its source and B+."""
    return read(HERE / "cases" / "rectifier_tube.cir")


def read(path: Path) -> tuple[Circuit, Roles]:
    """Return a netlist's circuit and roles."""
    library = load_library()
    circuit = build_circuit(read_netlist(path, is_tube=library.is_tube), library)
    return circuit, recognise(circuit)


def built(text: str) -> Circuit:
    """Return the circuit of a netlist given as text."""
    library = load_library()
    netlist = read_netlist_text(text, "test.cir", HERE, is_tube=library.is_tube)
    return build_circuit(netlist, library)
