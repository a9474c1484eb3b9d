"""A tube in its socket: contacts, leaks over the socket, worn cathodes, the wrong type.

Comes in: a circuit and its roles.  Goes out: open pins, leaks from plate to grid, a layer in
series with the cathode, tubes of another type.

References.  Worn contacts and caps left off: common practice.  Carbonized sockets and damp
boards, 10 Mohm to 1 Gohm: common practice.  50 to 500 ohm after long service with heaters only:
common practice.  What fits which base, and how often it happens:
`netcheck/tubes/substitutes.toml`, each row with its source.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import OPEN_OHM, AddResistor, Reconnect, ReplaceTube
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Found,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import (
    POWER_OFF,
    bulbs,
    gridded_tubes,
    joined,
    make_fault,
    output_tubes,
    sweep,
)
from netcheck.roles.base import Roles
from netcheck.tubes.library import load_library
from netcheck.tubes.substitutes import Substitute, substitutes_for

CONTACT = likelihood("occasional", "common practice: worn or dirty socket contacts, caps left off")


def _contacts(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List every electrode of every output tube."""
    for tube in output_tubes(circuit, roles):
        for pin in tube.pins:
            yield _no_contact(tube, pin.name)


def _no_contact(tube: Part, electrode: str) -> Fault:
    pin = f"{tube.ref}.{electrode}"
    return make_fault(
        [tube.ref],
        f"{electrode}_open",
        [
            Reconnect(tube.ref, electrode, pin),
            AddResistor(f"{pin}.contact", tube.net(electrode), pin, OPEN_OHM),
        ],
        CONTACT,
        summary=f"The {electrode} pin of {tube.ref} makes no contact in the socket.",
        measure=f"{POWER_OFF}, {tube.ref} out: look at the contact of the {electrode} pin, bend it "
        "to, and measure from the contact to the part it belongs to.",
    )


SOCKET_LEAKS_OHM = (10e6, 100e6, 1e9)
SMALL_SOCKET_OHM = (100e6,)
SOCKET_SWEEP_OHM = (100e9, 1e6)
SOCKET_LEAKY = likelihood("occasional", "common practice: carbonized sockets, flux, damp boards")


def _socket_leaks(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the leaks at every socket."""
    for tube in _sockets(circuit):
        for ohm in SOCKET_LEAKS_OHM if tube.ref in roles.output_tubes else SMALL_SOCKET_OHM:
            yield _socket_leak(tube, ohm)


def _socket_leaks_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak at every socket."""
    for tube in _sockets(circuit):
        yield sweep(
            (tube.ref,), "socket_leaky", "ohm", SOCKET_SWEEP_OHM, partial(_socket_leak, tube)
        )


def _sockets(circuit: Circuit) -> Iterator[Part]:
    for tube in gridded_tubes(circuit):
        if tube.has_pin("plate") and tube.net("plate") != tube.net("grid"):
            yield tube


def _socket_leak(tube: Part, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    return make_fault(
        [tube.ref],
        "socket_leaky",
        [AddResistor(f"{tube.ref}.socket", tube.net("plate"), tube.net("grid"), ohm)],
        SOCKET_LEAKY,
        summary=f"The socket of {tube.ref} leaks {defect.text} from the plate pin to the grid pin.",
        measure=f"{tube.ref} out, power on: lift the coupling capacitor from its grid "
        "and measure the grid pin; a positive shift that stays comes over the socket.",
        defect=defect,
    )


LAYERS_OHM = (200.0,)
LAYER_SWEEP_OHM = (10.0, 2e3)
LAYER = likelihood("rare", "common practice: after long service with heaters only")


def _layers(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the layer of every small tube with a sleeve."""
    for tube in _small_tubes(circuit, roles):
        for ohm in LAYERS_OHM:
            yield _layer(tube, ohm)


def _layers_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the layer of every small tube."""
    for tube in _small_tubes(circuit, roles):
        yield sweep((tube.ref,), "interface", "ohm", LAYER_SWEEP_OHM, partial(_layer, tube))


def _small_tubes(circuit: Circuit, roles: Roles) -> Iterator[Part]:
    for tube in gridded_tubes(circuit):
        direct = tube.tube is not None and tube.tube.directly_heated
        if tube.ref not in roles.output_tubes and not direct:
            yield tube


def _layer(tube: Part, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    sleeve = f"{tube.ref}.coating"
    return make_fault(
        [tube.ref],
        "interface",
        [
            Reconnect(tube.ref, "cathode", sleeve),
            AddResistor(f"{tube.ref}.layer", sleeve, tube.net("cathode"), ohm),
        ],
        LAYER,
        summary=f"A layer of {defect.text} has grown between sleeve and coating of the cathode of "
        f"{tube.ref}.",
        measure=f"{POWER_OFF}: put another tube in the place of {tube.ref}; gain that comes back "
        "while the direct volts hardly move is a worn cathode.",
        defect=defect,
    )


def _other_types(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the types that fit each socket and have the same electrodes."""
    for sections in bulbs(circuit):
        right = {part.tube.name for part in sections if part.tube is not None}
        if len(right) != 1 or any(part.tube is None for part in sections):
            continue
        name = right.pop()
        for other in substitutes_for(name):
            if other.same_pins and other.same_heater_pins and _fits(sections, other):
                yield _other_type(sections, name, other)


def _fits(sections: tuple[Part, ...], other: Substitute) -> bool:
    """Say whether the other type has the electrodes that are wired."""
    found = load_library().find(other.type)
    return found is not None and all(
        part.tube is not None and part.tube.kind == found.kind for part in sections
    )


def _other_type(sections: tuple[Part, ...], right: str, other: Substitute) -> Fault:
    refs = [part.ref for part in sections]
    heater = f", heater {other.heater}" if other.heater else ""
    return make_fault(
        refs,
        "wrong_type",
        [ReplaceTube(ref, other.type) for ref in refs],
        likelihood(other.likelihood, other.source),
        summary=f"{joined(refs)} is a {other.type} where a {right} belongs{heater}.",
        measure=f"{POWER_OFF}: read the type on the glass of {joined(refs)}; a {right} belongs "
        "there.",
        tube_type=other.type,
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="tube_contact",
        search=Found(_contacts),
        title="Pin of an output tube without contact",
        does="A worn or dirty socket contact, a cap left off or a weld inside the tube leaves one "
        "electrode connected to nothing.",
        why="Without its plate the tube's whole current goes to the screen, which glows. Without "
        "its grid it has no bias and drifts up. Without screen or cathode it passes nothing, and "
        "its partner carries the signal.",
        limits="Contacts that come and go, and the arcs they make, are not modelled.",
        examples=(
            "X4/plate_open",
            "X4/grid_open",
        ),
        model="The pin moves to a net of its own that hangs on the old one over 1 Gohm.",
        defects="No contact.",
        likelihood="Occasional.",
        readings="Plate: the screen glows and the plate pin reads full volts. Grid: right bias at "
        "the socket, the tube out of control. Screen or cathode: no current.",
        next_step="Power off, tube out: look at the contacts, bend them to, clean them, and "
        "measure through to the next part.",
        source="common practice",
        group="tubes",
        body="tube",
        words=(
            Word("plate_open", "occasional", "wear"),
            Word("screen_open", "occasional", "wear"),
            Word("grid_open", "occasional", "wear"),
            Word("cathode_open", "occasional", "wear"),
        ),
        exchange="contact",
        signs=(
            Sign("partner", HEATS, PRACTICE, "plate_open screen_open cathode_open"),
            Sign("hum", 0.6, f"{PRACTICE}: an open grid picks up hum", "grid_open"),
            Sign("new_tubes", 2.0, f"{PRACTICE}: pins bent, caps left off"),
        ),
    ),
    FaultKind(
        name="socket_leak",
        search=Found(_socket_leaks, _socket_leaks_swept),
        title="Leak across a tube socket",
        does="Carbonized tracks, flux, dirt and damp let a little current creep from a plate pin "
        "to the grid pin.",
        why="It pulls the grid positive exactly as a leaky coupling capacitor does, but stays "
        "when the capacitor is lifted and when the tube is exchanged.",
        limits="Leaks between other pins are not tried; from the screen they look like a leak "
        "inside the tube.",
        examples=("X4/socket_leaky@10Mohm",),
        model="A resistor from the plate's net to the grid's pin.",
        defects="10 Mohm, 100 Mohm and 1 Gohm at output tubes, 100 Mohm at others; swept from 100 "
        "Gohm to 1 Mohm.",
        likelihood="Occasional, and common when old.",
        readings="A positive shift of the grid that stays with the tube out and the coupling "
        "capacitor lifted.",
        next_step="Tube out, coupling capacitor lifted, power on: measure the grid pin; then "
        "clean or replace the socket.",
        source="common practice",
        group="tubes",
        body="socket",
        words=(Word("socket_leaky", "occasional", "wear"),),
    ),
    FaultKind(
        name="cathode_interface",
        search=Found(_layers, _layers_swept),
        title="Cathode interface resistance",
        does="Between the coating and the sleeve of a cathode that was kept hot for long without "
        "current a layer grows that conducts badly.",
        why="It overheats nothing; the stage's gain and, where the next grid hangs straight on "
        "its plate, the next stage's rest current shift. It is here so that it is not taken for "
        "something else.",
        limits="The layer is bridged by its own capacitance at high frequencies, which is left "
        "out.",
        examples=("X1/interface@200ohm",),
        model="A resistor in series with the cathode.",
        defects="200 ohm; swept from 10 ohm to 2 kohm.",
        likelihood="Rare.",
        readings="Low gain with direct volts that hardly differ; it goes with the tube.",
        next_step="Power off: try another tube.",
        source="common practice",
        group="tubes",
        body="tube",
        words=(Word("interface", "rare", "wear"),),
        exchange="tube",
    ),
    FaultKind(
        name="wrong_tube",
        search=Found(_other_types),
        title="Wrong type of tube",
        does="A tube of another type that fits the base is plugged in.",
        why="Its bias for the same current is another, so that it may draw a multiple or next to "
        "nothing; and its limits may be lower than those the circuit was laid out for.",
        limits="Types that need an adapter, and types whose heater stays cold in the socket, are "
        "not listed. The load on the heater winding is not solved; where heaters differ the "
        "summary says so.",
        examples=(
            "X4/wrong_type@KT88",
            "X2+X3/wrong_type@12AU7",
        ),
        model="The type's current law takes the place of the right one; a bulb with several "
        "sections is exchanged as a whole.",
        defects="Every type on file that fits the base with the same electrodes.",
        likelihood="As the table of substitutes says, row by row.",
        readings="All volts of the stage differ from the chart; the type on the glass is not the "
        "one on the chassis.",
        next_step="Power off: read the type on the glass.",
        source="netcheck/tubes/substitutes.toml, source by row",
        group="tubes",
        body="tube",
        words=(Word("wrong_type", "occasional", "exchange"),),
        exchange="tube",
        signs=(Sign("new_tubes", 6.0, f"{PRACTICE}: what fits the base is put in"),),
    ),
)
