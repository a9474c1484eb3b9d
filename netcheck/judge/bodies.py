"""Where the power of a solved state goes, and what each watt is judged by.

Comes in: a solved state, the fault that brought it about, and the limits.  Goes out: a
`Body` for all that is heated: electrodes, resistors, the wire of windings, diodes, and
the faulty spot itself (a leak, a short, a loop of shorted turns, a path through
insulation), which no netlist rates.  What has a limit is judged by that.  A faulty spot and
a control grid are judged by a floor: watts that nothing of the kind and size survives.
What stands for the inside of a supply is judged by the supply's current.  All else is not
judged, and `Energy` says how many watts of it a fault adds.

At an operating point the bodies sum up to what the sources deliver (Tellegen's theorem; any
text on networks), which a test holds over every fault of every circuit on file.

Floors are estimates.  Of a spot: a body of the size of a 2 W resistor (some 8 by 18 mm)
that bears more passes the temperature of its rating, and carbonised insulation or film of
that size bears less (common practice).  Of an electrolytic: a can of 35 by 50 mm (75 cm2)
loses 10 W at 130 degrees above the air around it, by 10 W a square metre and degree (free
convection and radiation, any text on heat transfer), at which its electrolyte boils.  Of
shorted turns of a winding without a rating: several times the whole copper loss of an
output transformer, 5 % of 10 to 20 W.  Of a control grid: wires of a few milligrams;
receiving tubes rated for grid current bear 0.5 to 1 W (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Generic, Literal, TypeVar

from netcheck.circuit.changes import AddResistor, Change, SetWire, ShortTurns
from netcheck.circuit.model import Circuit
from netcheck.judge.base import LOWEST_AT_LIMIT, LimitTable, Load
from netcheck.quantities import rank_class_of
from netcheck.solve.observe import SOURCES
from netcheck.solve.results import PartState, Solved, TubeState

JudgedBy = Literal["limit", "supply", "opening", "floor", "nothing"]
"""By a limit of its own; by the current of the supply whose inside it stands for; by the
time until a fuse opens; by what nothing of its kind survives; by nothing."""

UNJUDGED_W, UNJUDGED_SHARE = 0.25, 0.02
"""A fault may add so much to what is not judged, or so large a share of what the sources
deliver, before it is `not_judged`.  A quarter watt is harmless to any part; the share is
that of a driven run's own balance (1 to 2 % in the median)."""

SHARE_OF_MOST, LEAST_W = 0.1, 0.01
"""A body is named that takes a tenth of what the hottest takes, and 10 mW at least."""

SPOT_W, ELECTROLYTIC_W, LOOP_W, GRID_W = 2.0, 10.0, 5.0, 5.0
"""Floors; see above."""

FLOOR_COMPARISON = "mean power against what nothing of its kind survives"
FLOOR_SOURCE = "estimate: heat that no body of this kind and size survives"

Value = TypeVar("Value")
Spot = tuple[str, str]
"""The part of the healthy circuit that is heated, and where in it."""

_ELECTRODES: Mapping[str, frozenset[str]] = {
    "plate": frozenset(
        {
            "plate_dissipation_w",
            "plate_plus_screen_dissipation_w",
            "both_plates_dissipation_w",
            "output_current_a",
        }
    ),
    "screen": frozenset({"screen_dissipation_w", "plate_plus_screen_dissipation_w"}),
    "resistor": frozenset({"power_w"}),
    "wire": frozenset({"current_a"}),
}
"""Quantities whose limit judges the heat of a place in a part."""


NOWHERE: Spot = ("", "")


@dataclass(frozen=True, slots=True)
class Body:
    """One thing that is heated.

    part: of the healthy circuit; empty for what no part on file accounts for.  place:
    where in the part: plate, screen, grid, resistor, wire, diode, load, or `fault` for the
    faulty spot and `turns` for a loop of shorted ones.
    """

    part: str
    place: str
    power_w: float
    judged_by: JudgedBy


@dataclass(frozen=True, slots=True)
class Energy:
    """What a state takes from its sources, and what of it nothing judges.

    supplied_w: by all sources.  accounted_w: into all bodies.  unjudged: bodies that nothing
    judges with the watts that the fault adds to health, the most first.
    """

    supplied_w: float
    accounted_w: float
    unjudged: tuple[Body, ...] = ()

    @property
    def unjudged_w(self) -> float:
        """Watts that the fault adds to what nothing judges."""
        return sum(body.power_w for body in self.unjudged)

    @property
    def largest(self) -> tuple[Body, ...]:
        """Those that take a tenth of what the hottest takes or more, as far as they count."""
        least_w = max(
            SHARE_OF_MOST * max((one.power_w for one in self.unjudged), default=0.0), LEAST_W
        )
        return tuple(body for body in self.unjudged if body.power_w >= least_w)

    @property
    def is_judged(self) -> bool:
        """Whether what is not judged is too little to count."""
        return self.unjudged_w <= max(UNJUDGED_W, UNJUDGED_SHARE * abs(self.supplied_w))


class Same(Generic[Value]):
    """A value as a key by identity: states hold mappings, which have no hash."""

    __slots__ = ("value",)

    def __init__(self, value: Value) -> None:
        self.value = value

    def __hash__(self) -> int:
        return id(self.value)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Same) and self.value is other.value


class Bodies:
    """The bodies of the states of one circuit under one fault.

    circuit: the healthy one, whose parts are named.  changes: of the fault.
    """

    def __init__(self, circuit: Circuit, table: LimitTable, changes: Iterable[Change] = ()) -> None:
        self.circuit = circuit
        self.judged = _judged_places(Same(table))
        self.by_supply = table.by_supply
        self.spots: dict[str, tuple[str, str]] = {}
        self.wire_ohm: dict[str, float] = {}
        self.heated, self.sources = _places(Same(circuit))
        for change in changes:
            match change:
                case AddResistor(name=name):
                    self.spots[name] = (name.rpartition(".")[0].partition("+")[0], "fault")
                case ShortTurns(part=ref, share=share, dcr_ohm=ohm):
                    self.spots[f"{ref}.wire"] = self.spots[f"{ref}.short"] = (ref, "turns")
                    self.wire_ohm[ref] = (1.0 - share) * (circuit[ref].note.dcr_ohm or ohm)
                case SetWire(part=ref, ohm=ohm):
                    self.wire_ohm[ref] = ohm

    def watts(self, state: Solved) -> dict[Spot, float]:
        """Return what heats each place [W], as means over whole cycles.

        At an operating point what the sources give and no place takes is `NOWHERE`: that
        is in transistors.
        """
        found: dict[Spot, float] = {
            (ref, electrode): power_w
            for ref, tube in state.tubes.items()
            for electrode, power_w in _electrodes(tube)
        }
        averaged = is_averaged(state)
        for spot in self.heated:
            ref, place = spot
            part = state.parts.get(ref)
            if part is not None:
                hands_on = averaged and place == "wire"
                found[spot] = self._wire_w(ref, part) if hands_on else part.power_w
        for spot, power_w in self._faulty(state):
            found[spot] = found.get(spot, 0.0) + power_w
        if not averaged:
            found[NOWHERE] = self.supplied_w(state) - sum(found.values())
        return found

    def _wire_w(self, ref: str, part: PartState) -> float:
        ohm = self.wire_ohm.get(ref, self.circuit[ref].note.dcr_ohm or 0.0)
        return part.rms_current_a**2 * ohm

    def _faulty(self, state: Solved) -> Iterator[tuple[Spot, float]]:
        """Yield what heats the places that the fault itself makes."""
        if self.spots:
            for ref in state.parts.keys() - self.circuit.parts.keys():
                if spot := self.spot(ref):
                    yield spot, state.parts[ref].power_w

    def spot(self, ref: str) -> Spot | None:
        """Return where a part that a fault put in gets hot; None where it does not."""
        return self.spots.get(ref) or self.spots.get(ref.rstrip("0123456789"))

    def supplied_w(self, state: Solved) -> float:
        """Return what all sources deliver [W], those a fault put in among them."""
        added = state.parts.keys() - self.circuit.parts.keys()
        sources = [ref for ref in self.sources if ref in state.parts]
        sources += [ref for ref in added if not self._is_passive(ref)]
        return -sum(state.parts[ref].power_w for ref in sources)

    def _is_passive(self, ref: str) -> bool:
        return self.spot(ref) is not None or ".turns" in ref

    def judged_by(self, spot: Spot, power_w: float) -> JudgedBy:
        """Return what so much heat in a place is judged by."""
        ref, place = spot
        if spot == NOWHERE:
            return "nothing"
        if place == "turns":
            place = "wire"
        if (ref, place) in self.judged:
            return "limit"
        if place == "load" and (ref, "resistor") in self.judged:
            return "limit"
        if ref in self.by_supply:
            return "supply"
        if place == "resistor" and self.circuit[ref].note.fuse_a:
            return "opening"
        floor_w = self.floor_w(spot)
        return "nothing" if floor_w is None or power_w < LOWEST_AT_LIMIT * floor_w else "floor"

    def floor_w(self, spot: Spot) -> float | None:
        """Return the watts that nothing of the kind survives; None where none is known."""
        ref, place = spot
        if place == "grid":
            return GRID_W
        if place == "turns":
            return LOOP_W
        if place != "fault":
            return None
        part = self.circuit.parts.get(ref)
        wet = part is not None and part.looks_electrolytic
        return ELECTROLYTIC_W if wet else SPOT_W

    def floor_loads(self, state: Solved, before: Solved | None) -> Iterator[Load]:
        """Yield what is near the floor of its kind or over it, or was in health.

        before: the healthy state of the same condition.
        """
        grids = (((ref, "grid"), _grid_w(tube)) for ref, tube in state.tubes.items())
        spots: dict[Spot, float] = {}
        for spot, power_w in self._faulty(state):
            spots[spot] = spots.get(spot, 0.0) + power_w
        for spot, power_w in (*grids, *spots.items()):
            floor_w = self.floor_w(spot)
            if floor_w is None or self.judged_by(spot, power_w) != "floor":
                continue
            ref, place = spot
            healthy_w = 0.0
            if place == "grid" and before is not None and ref in before.tubes:
                healthy_w = _grid_w(before.tubes[ref])
            quantity = "grid_dissipation_w" if place == "grid" else "fault_heat_w"
            yield Load(
                ref,
                quantity,
                state.condition,
                power_w,
                floor_w,
                floor_w,
                healthy_w / floor_w,
                "not_stated",
                FLOOR_COMPARISON,
                rank_class_of(self.circuit[ref].kind, quantity),
                FLOOR_SOURCE,
            )

    def energy(self, state: Solved, before: Mapping[Spot, float]) -> Energy:
        """Return what the state takes and what a fault adds to what nothing judges.

        before: the watts of the healthy state of the same condition.
        """
        watts, supplied_w = self.watts(state), self.supplied_w(state)
        unjudged = [
            Body(*spot, added_w, "nothing")
            for spot, power_w in watts.items()
            if (added_w := power_w - max(before.get(spot, 0.0), 0.0)) > 0.0
            and not self._is_use(spot, state)
            and self.judged_by(spot, power_w) == "nothing"
        ]
        accounted_w = sum(watts.values()) - watts.get(NOWHERE, 0.0)
        return Energy(
            supplied_w, accounted_w, tuple(sorted(unjudged, key=lambda body: -body.power_w))
        )

    def _is_use(self, spot: Spot, state: Solved) -> bool:
        """Say whether a place is a load that takes the signal it is there for."""
        return spot[1] == "load" and state.input_v > 0.0


def is_averaged(state: Solved) -> bool:
    """Say whether a state is a mean over cycles, in which windings hand power on."""
    cycle = state.stability is not None and state.stability.is_cycle
    return state.balance is not None or state.input_v > 0.0 or cycle


def _electrodes(tube: TubeState) -> Iterator[tuple[str, float]]:
    yield "plate", tube.plate_dissipation_w
    if tube.screen_dissipation_w is not None:
        yield "screen", tube.screen_dissipation_w
    yield "grid", _grid_w(tube)


def _grid_w(tube: TubeState) -> float:
    return (tube.grid_v - tube.cathode_v) * tube.grid_current_a


@lru_cache(maxsize=16)
def _places(circuit: Same[Circuit]) -> tuple[tuple[Spot, ...], tuple[str, ...]]:
    """Return the places that are heated in parts that are no tubes, and the sources."""
    heated: list[Spot] = []
    for part in circuit.value:
        if part.kind in ("resistor", "diode"):
            heated.append((part.ref, "load" if part.note.is_speaker else part.kind))
        elif part.kind == "inductor":
            heated.append((part.ref, "wire"))
    return tuple(heated), tuple(part.ref for part in circuit.value if part.kind in SOURCES)


@lru_cache(maxsize=16)
def _judged_places(table: Same[LimitTable]) -> frozenset[Spot]:
    return frozenset(
        (ref, place)
        for limit in table.value.limits
        for place, quantities in _ELECTRODES.items()
        if limit.quantity in quantities
        for ref in (limit.part, *limit.company)
    )
