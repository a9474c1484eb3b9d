"""Does a feedback path take away from the signal, or add to it?

Comes in: the circuit on the pool, its roles, and where the signal goes in and out.  Goes
out: for every path from an output back to an earlier electrode its loop gain at the test
frequency, and a finding where the path adds.

The small-signal gain is computed as the circuit stands, and once more with the path's
far end moved from the output to AC ground, over an inductor and a capacitor so large
that no direct voltage changes.  With G = G0 / (1 - T) the loop gain is T = 1 - G0 / G
(H. Bode, return difference).  A positive T is positive feedback, also where it is so
large that the gain with the loop closed comes out small.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from netcheck.circuit.model import GROUND, Circuit, Part, PartKind, Pin
from netcheck.findings import Finding
from netcheck.netlist.cards import PartNote
from netcheck.roles.base import Roles
from netcheck.solve.analyses import Drive, Hookup
from netcheck.solve.deck import DeckError, write_deck
from netcheck.solve.ngspice import Engine, EngineFailure
from netcheck.solve.pool import Job, Lost
from netcheck.workbench.settings import Circuitry

HUGE_H = 1e6
HUGE_F = 1.0
"""At a kilohertz 6 gigohm and 0.2 milliohm; both leave direct voltages alone."""

COUNTS = 0.02
"""A loop gain below 2 % (0.2 dB) is no feedback worth a word (our choice)."""

NAMES = ("feedback_resistor", "feedback_capacitor")


@dataclass(frozen=True, slots=True)
class Loop:
    """One feedback path: its parts, those of them at its source, and both its ends."""

    parts: tuple[str, ...]
    at_source: tuple[str, ...]
    source: str
    goal: str


def find_loops(circuit: Circuit, roles: Roles) -> tuple[Loop, ...]:
    """Return the feedback paths, each once."""
    members: dict[tuple[str, str], dict[str, None]] = {}
    for role in roles.named(*NAMES):
        if role.source_net and role.feeds and role.source_net != GROUND:
            members.setdefault((role.source_net, role.feeds), {})[role.part] = None
    loops = []
    for (source, goal), refs in members.items():
        ends = tuple(ref for ref in refs if source in circuit[ref].nets)
        if ends:
            loops.append(Loop(tuple(refs), ends, source, goal))
    return tuple(loops)


def feedback_findings(bench: Circuitry, roles: Roles, hookup: Hookup) -> Iterator[Finding]:
    """Yield a finding for every path that adds to the signal."""
    loops = find_loops(bench.circuit, roles)
    if not loops:
        return
    frequency_hz = bench.options.frequency_hz
    job = Job(loop_gains, (bench.shared["idle"], hookup, frequency_hz, loops))
    answer = bench.pool.run([job])[0]
    if isinstance(answer, Lost):
        return
    for loop, gain in zip(loops, answer, strict=True):
        if gain is not None and gain.real > COUNTS:
            yield _adds(bench.circuit, loop, gain, frequency_hz)


def _adds(circuit: Circuit, loop: Loop, gain: complex, frequency_hz: float) -> Finding:
    first = loop.parts[0]
    far = "and above 1 it oscillates" if gain.real >= 1.0 else "so gain and distortion rise"
    return Finding(
        "feedback-polarity",
        "warning",
        f"the feedback through {' and '.join(loop.parts)} from {loop.source} to {loop.goal} adds "
        f"to the signal: its loop gain at {frequency_hz:g} Hz is +{gain.real:.2f}, {far}",
        first,
        circuit[first].span,
        "exchange the two ends of the load winding, or the plates of the output tubes",
    )


def loop_gains(
    engine: Engine,
    circuit: Circuit,
    hookup: Hookup,
    frequency_hz: float,
    loops: tuple[Loop, ...],
) -> list[complex | None]:
    """Return the loop gain of each path in a worker; None where it cannot be told."""
    closed = _gain(engine, circuit, hookup, frequency_hz)
    gains: list[complex | None] = []
    for loop in loops:
        opened = _gain(engine, opened_loop(circuit, loop), hookup, frequency_hz)
        known = closed is not None and opened is not None and abs(closed) > 0.0
        gains.append(1.0 - opened / closed if known and closed and opened is not None else None)
    return gains


def opened_loop(circuit: Circuit, loop: Loop) -> Circuit:
    """Return the circuit with the source end of a path on AC ground, its DC as before."""
    middle = _free_net(circuit, f"{loop.source} opened")
    moved = [
        replace(
            circuit[ref],
            pins=tuple(
                replace(pin, net=middle) if pin.net == loop.source else pin
                for pin in circuit[ref].pins
            ),
        )
        for ref in loop.at_source
    ]
    keeps_dc = _two_pin("L", "inductor", middle, loop.source, HUGE_H)
    grounds = _two_pin("C", "capacitor", middle, GROUND, HUGE_F)
    return circuit.with_parts(*moved, keeps_dc, grounds)


def _free_net(circuit: Circuit, wanted: str) -> str:
    while wanted in circuit.parts_on:
        wanted += "'"
    return wanted


def _two_pin(ref: str, kind: PartKind, first: str, second: str, value: float) -> Part:
    pins = (Pin("a", first), Pin("b", second))
    return Part(f"{ref} of the opened loop", kind, pins, value, PartNote(), added=True)


def _gain(engine: Engine, circuit: Circuit, hookup: Hookup, frequency_hz: float) -> complex | None:
    """Return the small-signal gain from the input to the output."""
    try:
        deck = write_deck(circuit, hookup=hookup, drive=Drive(frequency_hz, 1e-3))
        engine.load(deck.lines)
        nodes = [deck.node.get(net) for net in hookup.output_nets]
        wanted = [node for node in nodes if node]
        values = dict(zip(wanted, engine.linear_response(frequency_hz, wanted), strict=True))
    except (DeckError, EngineFailure):
        return None
    first, second = (values.get(node or "", 0.0) for node in nodes)
    return complex(first - second)
