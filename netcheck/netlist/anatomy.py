"""Tubes known by what their subcircuit does, whatever it is called and its pins are.

Comes in: the expanded cards of a subcircuit and its pins.  Goes out: the electrode at each
pin, or nothing where the subcircuit is no tube.  An amplifying tube carries a current from
plate to cathode that its grid turns down to nothing, at no current of its own; a screen
controls it more than the plate does, and loses current to the plate rather than gains any.
A rectifier carries current one way only.  Each order of the pins is tried against this,
and one has to fit alone: so a law written in any dialect is read by its volts and amperes
(physics of the vacuum tube; the figures here are far outside of any type made).

Two sections in one subcircuit share no net but ground.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations

from netcheck.netlist.cards import Voltage
from netcheck.netlist.evaluate import walk
from netcheck.netlist.flat import FlatElement
from netcheck.netlist.probe import GROUND, Probe, UnclearError

PLATE_V = 200.0
HALF_V = 100.0
CUT_OFF_V = -300.0
LEAST_A = 1e-6
CUT_OFF_SHARE = 0.05
GRID_SHARE = 0.02
"""Largest current of a negative grid as a share of the plate's."""
SCREEN_SHARE = 0.9
"""Halving the screen volts leaves less than this of the plate current."""
LEAST_OHM = 0.9e6
"""Resistors between pins of a model only help the solver; a smaller one is a part."""
MOST_FARAD = 1e-9
"""Capacitances of a tube are picofarads; a larger capacitor is a part."""
MOST_PINS = 12
SECTION_PINS = 6
RECTIFIER_V = 20.0
RECTIFIER_SHARE = 0.01

Electrodes = dict[str, str]


@dataclass(frozen=True, slots=True)
class TubeSection:
    """One section: the electrode of every pin (empty for none), and places of its cards."""

    electrodes: tuple[str, ...]
    cards: tuple[int, ...]


Anatomy = tuple[TubeSection, ...]


def sections_of(body: Sequence[FlatElement], pins: Sequence[str]) -> Anatomy:
    """Return the sections in a subcircuit.

    Empty where a pin or a card belongs to no tube.  Pins that nothing but a heater hangs
    on have no electrode.
    """
    if len(pins) > MOST_PINS or not _may_be_tube(body, pins):
        return ()
    found: list[TubeSection] = []
    order = [pin.lower() for pin in pins]
    islands = sorted(
        _islands(body, pins), key=lambda one: [pin in one[0] for pin in order], reverse=True
    )
    for nets, places in islands:
        cards = [body[place] for place in places]
        own = [pin for pin in pins if pin.lower() in nets]
        if not any(card.letter in "BEG" for card in cards):
            if own and not all(card.letter in "RC" for card in cards):
                return ()
            continue
        electrodes = _section(cards, own)
        if len(electrodes) < len(own):
            return ()
        if own:
            found.append(TubeSection(tuple(electrodes.get(pin, "") for pin in pins), places))
    return tuple(found)


def _may_be_tube(body: Sequence[FlatElement], pins: Sequence[str]) -> bool:
    outside = {pin.lower() for pin in pins} | {GROUND}
    for card in body:
        if card.letter not in "RCVBEGDI":
            return False
        ends = {node.lower() for node in card.nodes[:2]}
        if card.letter == "C" and (card.value or 0.0) > MOST_FARAD and ends & outside:
            return False
        to_ground = card.letter == "R" and ends <= outside and GROUND in ends
        if to_ground and (card.value or 0.0) < LEAST_OHM:
            return False
    return True


def _islands(
    body: Sequence[FlatElement], pins: Sequence[str]
) -> Iterator[tuple[set[str], tuple[int, ...]]]:
    """Yield the nets, and the places of cards, that hang together without ground."""
    groups: list[tuple[set[str], list[int]]] = [({pin.lower()}, []) for pin in pins]
    for place, card in enumerate(body):
        nets = {node.lower() for node in card.nodes}
        if card.expression is not None:
            for part, _ in walk(card.expression):
                if isinstance(part, Voltage):
                    nets |= {part.net.lower(), part.reference.lower()}
        nets.discard(GROUND)
        touched = [group for group in groups if group[0] & nets]
        merged = (nets.union(*(g[0] for g in touched)), [place])
        for group in touched:
            merged[1].extend(group[1])
        groups = [group for group in groups if group not in touched] + [merged]
    for nets, places in groups:
        yield nets, tuple(sorted(places))


def _section(cards: Sequence[FlatElement], pins: Sequence[str]) -> Electrodes:
    """Return the electrodes of the one order of pins that is a tube."""
    if not 2 <= len(pins) <= SECTION_PINS:
        return {}
    try:
        probe = Probe(cards)
        for names, fits in _KINDS:
            orders = [
                dict(zip(order, names, strict=True))
                for order in permutations(pins, len(names))
                if fits(_Law(probe, pins, order))
            ]
            if len(orders) == 1:
                return orders[0]
            if orders:
                return {}
    except UnclearError:
        return {}
    return {}


class _Law:
    """Currents of one order of the pins, the last of them the cathode at 0 V."""

    def __init__(self, probe: Probe, pins: Sequence[str], order: Sequence[str]) -> None:
        self.probe, self.pins, self.order = probe, pins, order

    def __call__(self, *volts: float) -> list[float]:
        levels = dict.fromkeys(self.pins, 0.0)
        levels |= dict(zip(self.order, (*volts, 0.0), strict=True))
        amperes = self.probe.currents(levels)
        return [amperes[pin] for pin in self.order]


def _is_triode(law: _Law) -> bool:
    full = law(PLATE_V, 0.0)[0]
    if full < LEAST_A:
        return False
    low, grid, _ = law(PLATE_V, -1.0)
    half = law(HALF_V, 0.0)[0]
    return (
        low < full
        and abs(grid) < GRID_SHARE * full
        and half < full
        and (full - low) > (full - half) / (PLATE_V - HALF_V)
        and abs(law(PLATE_V, CUT_OFF_V)[0]) < CUT_OFF_SHARE * full
        and law(-PLATE_V, -1.0)[0] < CUT_OFF_SHARE * full
        and law(PLATE_V, -1.0)[2] < 0.0
    )


def _is_pentode(law: _Law) -> bool:
    plate, screen, _, _ = law(PLATE_V, PLATE_V, 0.0)
    if plate < LEAST_A or screen < 0.0:
        return False
    low, _, grid, cathode = law(PLATE_V, PLATE_V, -1.0)
    starved = law(PLATE_V, HALF_V, 0.0)[0]
    knee = law(HALF_V, PLATE_V, 0.0)
    return (
        low < plate
        and cathode < 0.0
        and abs(grid) < GRID_SHARE * plate
        and starved < SCREEN_SHARE * plate
        and (plate - low) > (plate - starved) / (PLATE_V - HALF_V)
        and knee[0] > starved
        and knee[1] >= screen * (1.0 - CUT_OFF_SHARE)
        and abs(law(PLATE_V, PLATE_V, CUT_OFF_V)[0]) < CUT_OFF_SHARE * plate
    )


def _is_rectifier(law: _Law) -> bool:
    forward, _ = law(RECTIFIER_V)
    back, _ = law(-RECTIFIER_V)
    return forward > LEAST_A and abs(back) < RECTIFIER_SHARE * forward


def _is_full_wave(law: _Law) -> bool:
    one, idle, _ = law(RECTIFIER_V, -RECTIFIER_V)
    rest, other, _ = law(-RECTIFIER_V, RECTIFIER_V)
    if min(one, other) < LEAST_A or max(abs(idle), abs(rest)) > RECTIFIER_SHARE * one:
        return False
    return law.pins.index(law.order[0]) < law.pins.index(law.order[1])


_KINDS: tuple[tuple[tuple[str, ...], Callable[[_Law], bool]], ...] = (
    (("plate", "screen", "grid", "cathode"), _is_pentode),
    (("plate", "grid", "cathode"), _is_triode),
    (("plate", "plate_2", "cathode"), _is_full_wave),
    (("plate", "cathode"), _is_rectifier),
)
