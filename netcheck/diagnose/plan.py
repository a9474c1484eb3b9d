"""What to measure in each situation, and where the probes go, before anything is solved.

Comes in: a circuit and its roles.  Goes out: by situation the measurements wanted, in
order: supplies first, then the bias, then tube by tube in the order of the signal; socket pins
by number (those of the tube's data file) and the ends of parts, in words.  Of a twin tube whose
netlist does not say which section is which, both numbers are given.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.diagnose.ohms import LEAST_OHM
from netcheck.models.sheet import SheetUnit
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

Purpose = Literal[
    "rail", "dropper", "bias", "grid", "cathode", "plate", "screen", "winding", "coupler",
    "current", "watts", "lamp",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wanted:
    """One measurement: volts from `net_a` to `net_b` times `scale`, or ohms, or watts.

    purpose: what it is about.  tubes: whose.  part: the part across which it is read.
    """

    name: str
    what: str
    red: str
    black: str
    unit: SheetUnit
    net_a: str
    net_b: str
    purpose: Purpose
    tubes: tuple[str, ...] = ()
    part: str = ""
    scale: float = 1.0


class Plan:
    """The measurements of one circuit."""

    def __init__(self, circuit: Circuit, roles: Roles) -> None:
        self.circuit = circuit
        self.roles = roles
        order = [ref for stage in roles.stages_in_order for ref in stage.tubes]
        every = [tube.ref for tube in circuit.tubes if tube.has_pin("grid")]
        self.tubes = tuple(circuit[ref] for ref in dict.fromkeys((*order, *every)) if ref in every)
        outputs = set(roles.output_tubes)
        self.outputs = tuple(tube for tube in self.tubes if tube.ref in outputs) or self.tubes
        fed = {net for part in circuit.of_kind("voltage_source") for net in part.nets}
        self.rails = tuple(net for net in roles.rails if net not in fed) or roles.rails

    def power_off(self) -> tuple[Wanted, ...]:
        """Resistances, cold and discharged."""
        return tuple(
            _unique(
                (
                    *(self._to_ground(net, "rail", "ohm") for net in self.rails),
                    *self._droppers(),
                    *self._bias("ohm"),
                    *self._windings(),
                    *(one for tube in self.tubes for one in self._socket_ohms(tube)),
                )
            )
        )

    def tubes_out(self) -> tuple[Wanted, ...]:
        """Volts with the supply on and no amplifying tube in its socket."""
        grids = [self._pin(tube, "grid", "V") for tube in self.tubes if self._is_fed(tube)]
        rails = [self._to_ground(net, "rail", "V") for net in self.rails]
        return tuple(_unique((*rails, *self._bias("V"), *grids, *self._couplers())))

    def reduced(self) -> tuple[Wanted, ...]:
        """The few readings that are worth a stop on reduced mains."""
        rails = [self._to_ground(net, "rail", "V") for net in self.rails[:2]]
        grids = [self._pin(tube, "grid", "V") for tube in self.outputs if self._is_fed(tube)]
        currents = [one for tube in self.outputs for one in self._currents(tube)]
        return tuple(_unique((*rails, *self._bias("V"), *grids, *currents)))

    def idle(self) -> tuple[Wanted, ...]:
        """All idle volts, currents and watts."""
        rails = [self._to_ground(net, "rail", "V") for net in self.rails]
        tubes = [one for tube in self.tubes for one in self._of_tube(tube)]
        return tuple(_unique((*rails, *self._bias("V"), *tubes)))

    def junctions(self, unit: SheetUnit) -> tuple[Wanted, ...]:
        """Return the far sides of grid stoppers, which the sheet does without: read beside the
        grid itself they tell an open stopper from an open grid leak."""
        grids = {tube.net("grid") for tube in self.tubes}
        feeds = {role.feeds for role in self.roles.named(RoleName.COUPLING_CAPACITOR)}
        return tuple(
            Wanted(
                f"junction/{net}", f"net {net}, before the grid stopper",
                net_words(self.circuit, net), CHASSIS, unit, net, GROUND, "grid",
            )
            for net in sorted(feeds - grids - {GROUND, ""})
        )  # fmt: skip

    def _to_ground(self, net: str, purpose: Purpose, unit: SheetUnit) -> Wanted:
        what = f"supply {net}" if purpose == "rail" else f"bias feed {net}"
        red = net_words(self.circuit, net)
        return Wanted(f"{purpose}/{net}", what, red, CHASSIS, unit, net, GROUND, purpose)

    def _bias(self, unit: SheetUnit) -> Iterator[Wanted]:
        for supply in self.roles.bias_supplies:
            wanted = self._to_ground(supply.feed_net, "bias", unit)
            yield Wanted(
                wanted.name, wanted.what, wanted.red, CHASSIS, unit, supply.feed_net, GROUND,
                "bias", supply.tubes,
            )  # fmt: skip

    def _droppers(self) -> Iterator[Wanted]:
        for role in self.roles.named(RoleName.RAIL_DROPPER, RoleName.RAIL_CHOKE):
            part = self.circuit[role.part]
            if not _is_unknown_wire(part):
                yield self._across(part, "dropper", "dropper")

    def _windings(self) -> Iterator[Wanted]:
        for transformer in self.roles.transformers:
            for tube, refs in transformer.primaries.items():
                if any(_is_unknown_wire(self.circuit[ref]) for ref in refs):
                    continue
                plate, tap = self.circuit[tube].net("plate"), transformer.center_tap
                yield Wanted(
                    f"winding/{'+'.join(refs)}", f"primary {' + '.join(refs)}",
                    pin_words(self.circuit[tube], "plate"), net_words(self.circuit, tap), "ohm",
                    plate, tap, "winding", (tube,), refs[0],
                )  # fmt: skip
            for ref in transformer.secondaries:
                if not _is_unknown_wire(self.circuit[ref]):
                    yield self._across(self.circuit[ref], "winding", "secondary")

    def _across(self, part: Part, purpose: Purpose, word: str) -> Wanted:
        first, second = part.nets[:2]
        return Wanted(
            f"{purpose}/{part.ref}", f"{word} {part.ref}", end_words(part, first),
            net_words(self.circuit, second) if second == GROUND else end_words(part, second),
            "ohm", first, second, purpose, (), part.ref,
        )  # fmt: skip

    def _socket_ohms(self, tube: Part) -> Iterator[Wanted]:
        if tube.net("grid") != GROUND:
            yield self._pin(tube, "grid", "ohm")
        if tube.net("cathode") != GROUND:
            yield self._pin(tube, "cathode", "ohm")
        for role in self.roles.named(RoleName.PLATE_LOAD):
            part = self.circuit[role.part]
            if role.of == tube.ref and tube.net("plate") in part.nets and len(part.nets) == 2:
                yield self._pin(tube, "plate", "ohm", part.other_net(tube.net("plate")), part.ref)
        for feed in self.roles.screen_feeds:
            if feed.tube == tube.ref and feed.parts and tube.has_pin("screen"):
                yield self._pin(tube, "screen", "ohm", feed.source, feed.parts[0])

    def _pin(
        self, tube: Part, electrode: str, unit: SheetUnit, to: str = GROUND, part: str = ""
    ) -> Wanted:
        purpose: Purpose = electrode  # type: ignore[assignment]
        return Wanted(
            f"{electrode}/{tube.ref}", f"{tube.ref} {electrode}", pin_words(tube, electrode),
            net_words(self.circuit, to), unit, tube.net(electrode), to, purpose, (tube.ref,), part,
        )  # fmt: skip

    def _couplers(self) -> Iterator[Wanted]:
        """Volts from the lifted grid end of a coupling capacitor: what leaks through."""
        for role in self.roles.named(RoleName.COUPLING_CAPACITOR):
            part = self.circuit[role.part]
            if not role.feeds or role.feeds not in part.nets:
                continue
            fed = tuple(tube.ref for tube in self.tubes if self._reaches(role.feeds, tube))
            yield Wanted(
                f"coupler/{part.ref}", f"leak past {part.ref}",
                f"{part.ref}, its end at net {role.feeds} lifted", CHASSIS, "V",
                part.other_net(role.feeds), GROUND, "coupler", fed, part.ref,
            )  # fmt: skip

    def _reaches(self, net: str, tube: Part) -> bool:
        """Say whether a net is a tube's grid, or one resistor away from it."""
        grid = tube.net("grid")
        near = (part for part in self.circuit.parts_on.get(grid, ()) if part.kind == "resistor")
        return net == grid or (net != GROUND and any(net in part.nets for part in near))

    def _is_fed(self, tube: Part) -> bool:
        return tube.net("grid") != GROUND

    def _currents(self, tube: Part) -> Iterator[Wanted]:
        """The current of a tube, read over the resistor at its cathode."""
        net = tube.net("cathode")
        for part in self.circuit.parts_on.get(net, ()):
            senses = any(role.name.kind.senses for role in self.roles.of_part(part.ref))
            if net == GROUND or part.kind != "resistor" or not senses or not part.value:
                continue
            sharing = tuple(one.ref for one in self.tubes if one.net("cathode") == net)
            far = part.other_net(net)
            yield Wanted(
                f"current/{part.ref}", f"cathode current of {' and '.join(sharing)}",
                f"{end_words(part, net)}; volts / {_ohm(part.value)}",
                CHASSIS if far == GROUND else end_words(part, far), "A", net, far, "current",
                sharing, part.ref, 1.0 / part.value,
            )  # fmt: skip
            return

    def _of_tube(self, tube: Part) -> Iterator[Wanted]:
        for electrode in ("plate", "screen", "cathode", "grid"):
            if tube.has_pin(electrode) and tube.net(electrode) != GROUND:
                yield self._pin(tube, electrode, "V")
        yield from self._currents(tube)
        yield Wanted(
            f"watts/{tube.ref}", f"{tube.ref} plate power", "plate to cathode volts",
            "times plate current", "W", tube.net("plate"), tube.net("cathode"), "watts",
            (tube.ref,),
        )  # fmt: skip


def _unique(wanted: Iterable[Wanted]) -> Iterator[Wanted]:
    """Leave out what was asked for already."""
    seen: set[str] = set()
    for one in wanted:
        if one.name not in seen:
            seen.add(one.name)
            yield one


def _is_unknown_wire(part: Part) -> bool:
    return part.kind == "inductor" and (part.note.dcr_ohm or 0.0) <= LEAST_OHM


def _ohm(value: float) -> str:
    from netcheck.units import format_quantity

    return format_quantity(value, "ohm")


CHASSIS = "chassis (ground)"
_FIRST = ("capacitor", "resistor", "inductor", "voltage_source")


def pin_words(tube: Part, electrode: str) -> str:
    """Return a socket pin: `V1 12AX7 pin 7 (grid of X1)`."""
    bulb = tube.note.envelope or tube.ref
    kind = f" {tube.tube.name}" if tube.tube else ""
    number = _numbers(tube, electrode)
    where = f"pin {number}" if number else electrode
    own = electrode if bulb == tube.ref else f"{electrode} of {tube.ref}"
    return f"{bulb}{kind} {where} ({own})" if number else f"{bulb}{kind} {own}"


def _numbers(tube: Part, electrode: str) -> str:
    if tube.tube is None:
        return ""
    sections = tube.tube.sections
    chosen = [one for one in sections if one.name == tube.section] or list(sections)
    numbers = dict.fromkeys(str(one.pins[electrode]) for one in chosen if electrode in one.pins)
    return " or ".join(numbers)


def end_words(part: Part, net: str) -> str:
    """Return the end of a part: `C20 (net ht)`."""
    return f"{part.ref} (net {net})"


def net_words(circuit: Circuit, net: str) -> str:
    """Return where a net can be touched, at a capacitor if there is one."""
    if net == GROUND:
        return CHASSIS
    on = circuit.parts_on.get(net, ())
    for kind in _FIRST:
        for part in on:
            if part.kind == kind and not part.added:
                return end_words(part, net)
    return f"net {net}"
