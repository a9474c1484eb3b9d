"""Whole stages as netlists: how a row of `stages.toml` is built, solved and read.

Supplies are ideal and the output transformer nearly is (50 H a half, coupling 0.9999,
no wire), because sheets print the power at the primary and the volts at the electrodes.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from netcheck.circuit.model import Circuit
from netcheck.solve.driven import small_signal
from netcheck.solve.results import Hookup, Solved
from netcheck.tubes.library import load_library
from tests.solve.worker import FREQUENCY_HZ, Worker, circuit_of

Row = dict[str, Any]
PUBLISHED: dict[str, list[Row]] = tomllib.loads(
    Path(__file__).with_name("stages.toml").read_text(encoding="utf-8")
)
HALF_H = 50.0
LOAD_OHM = 8.0
STEPS = 6
NEAR_ENOUGH = 0.002
"""Distortion within this is the one looked for: a fiftieth of the sheets' 10 %."""
IDLE = ("plate_a", "cathode_a", "screen_a")
DRIVEN = ("output_w", "distortion", "signal_plate_a", "signal_screen_a", "signal_cathode_a")
COUPLED = ("plate_a", "cathode_a", "gain")
BARS = {
    "plate_a": 0.05,
    "cathode_a": 0.05,
    "screen_a": 0.30,
    "output_w": 0.15,
    "signal_plate_a": 0.10,
    "signal_screen_a": 0.20,
    "signal_cathode_a": 0.10,
    "distortion": 0.03,
    "gain": 0.10,
}
"""Fractions of the published figure, but for distortion: there the difference itself,
since what sheets print is total harmonic distortion of bogey tubes."""


@dataclass(frozen=True)
class Figure:
    """One published figure of one stage."""

    table: str
    row: Row
    name: str

    @property
    def id(self) -> str:
        """How the row is called in test names and in the table."""
        return f"{stage_id(self.row)}-{self.name}"

    @property
    def published(self) -> float:
        """What the sheet prints."""
        return float(self.row[self.name])

    @property
    def bar(self) -> float:
        """How far the model may be off."""
        return float(self.row.get(f"{self.name}_tolerance", BARS[self.name]))

    def deviation(self, found: float) -> float:
        """Found over published, less one; the plain difference for distortion."""
        if self.name == "distortion":
            return found - self.published
        return found / self.published - 1.0


def stage_id(row: Row) -> str:
    """Name a row by what tells it from the others."""
    if "supply_v" in row:
        ohms = f"{row['plate_ohm'] / 1e3:g}k-{row['next_grid_ohm'] / 1e3:g}k"
        return f"{row['tube']}-coupled-{row['supply_v']}V-{ohms}"
    bias = f"{row['grid_v']}V" if "grid_v" in row else f"{row['cathode_ohm']}ohm"
    connection = f"-{row['connection']}" if "connection" in row else ""
    load = f"-{row['load_ohm'] / 1e3:g}k"
    return f"{row['tube']}-{row['form']}{connection}-{row['plate_v']}V-{bias}{load}"


def figures(table: str, *names: str) -> Iterator[Figure]:
    """Return the published figures of a table."""
    for row in PUBLISHED[table]:
        for name in names:
            if name in row:
                yield Figure(table, row, name)


def all_figures() -> list[Figure]:
    """Return every published figure of every stage."""
    return [
        *figures("output_stage", *IDLE, *DRIVEN),
        *figures("resistance_coupled", *COUPLED),
    ]


@dataclass
class Stages:
    """Solves stages, each once."""

    worker: Worker
    _known: dict[tuple[str, str], Any] = field(default_factory=dict)

    def found(self, figure: Figure) -> float:
        """Return what the solved circuit gives for a published figure."""
        row = figure.row
        if figure.name == "gain":
            return float(self._once(row, "gain", self._gain))
        if figure.name not in DRIVEN:
            return figure_of(self._once(row, "idle", self._idle), figure.name)
        state = self._once(row, "driven", self._driven)
        if figure.name == "output_w":
            return float(state.primary_output_w)
        if figure.name == "distortion":
            return float(state.distortion)
        return figure_of(state, figure.name.removeprefix("signal_"))

    def _once(self, row: Row, what: str, solve: Any) -> Any:
        key = (stage_id(row), what)
        if key not in self._known:
            self._known[key] = solve(row)
        return self._known[key]

    def _idle(self, row: Row) -> Solved:
        circuit = resistance_coupled(row) if "supply_v" in row else output_stage(row)
        return self.worker.idle(circuit)

    def _driven(self, row: Row) -> Solved:
        if "at_distortion" in row:
            return self._at_distortion(row)
        return self.worker.at_level(output_stage(row), hookup(row), row["drive_v"])

    def _at_distortion(self, row: Row) -> Solved:
        """Look for the drive where the distortion is the sheet's, by false position."""
        circuit, wiring, wanted = output_stage(row), hookup(row), row["at_distortion"]
        (low, under), high = (0.0, 0.0), float(row["drive_v"])
        state = self.worker.at_level(circuit, wiring, high)
        over = state.distortion
        for _ in range(STEPS):
            level = low + (high - low) * (wanted - under) / (over - under)
            state = self.worker.at_level(circuit, wiring, level)
            if abs(state.distortion - wanted) < NEAR_ENOUGH:
                break
            if state.distortion > wanted:
                high, over = level, state.distortion
            else:
                low, under = level, state.distortion
        return state

    def _gain(self, row: Row) -> float:
        idle = self._once(row, "idle", self._idle)
        wiring = Hookup("VIN", output_nets=("out", "0"))
        circuit = resistance_coupled(row)
        gain, _ = self.worker.call(small_signal, circuit, wiring, FREQUENCY_HZ, idle)
        return float(gain)


def output_stage(row: Row) -> Circuit:
    """Write the stage of a row as a netlist and build it."""
    tubes = 2 if row["form"] == "push_pull" else 1
    triode = load_library().find(row["tube"]).kind == "triode"  # type: ignore[union-attr]
    cards = [f"VB b 0 {row['plate_v'] + row.get('bias_v', 0.0)}", f"RL s 0 {LOAD_OHM} ;! speaker"]
    for side in range(1, tubes + 1):
        pins = f"p{side} " + ("" if triode else f"s{side} ")
        cathode = "k1" if row.get("shared_cathode") else f"k{side}"
        cards.append(f"X{side} {pins}g{side} {cathode} {row['tube']}")
        cards += _primary(row, side)
        cards += _screen(row, side) if not triode else []
        cards += _cathode(row, side)
        cards += _grid(row, side)
    windings = " ".join(card.split()[0] for card in cards if card.startswith("L"))
    turns_squared = row.get("load_ohm", 5000.0) / LOAD_OHM
    secondary_h = tubes**2 * HALF_H / turns_squared
    cards += [f"LS s 0 {secondary_h:.12g}", f"K1 {windings} LS 0.9999"]
    return circuit_of(*cards)


def _primary(row: Row, side: int) -> list[str]:
    """Write a half of the primary, in two pieces where the screen has a tap."""
    half, plate = f"L{side}", f"p{side}"
    pieces = [(half, "b", plate, 1.0)]
    if row.get("connection") == "ultralinear":
        share = row["tap"]
        pieces = [(half, "b", f"s{side}", share), (f"{half}B", f"s{side}", plate, 1.0 - share)]
    return [
        f"{name} {one} {other} {HALF_H * turns**2:.12g}"
        if side == 1
        else f"{name} {other} {one} {HALF_H * turns**2:.12g}"
        for name, one, other, turns in pieces
    ]


def _screen(row: Row, side: int) -> list[str]:
    connection = row.get("connection", "pentode")
    if connection == "triode":
        return [f"RS{side} p{side} s{side} 1"]
    if connection == "ultralinear":
        return []
    if "screen_ohm" in row:
        # One resistor for both screens, its far end held by a capacitor.
        return [
            *([f"RG b sg {row['screen_ohm']}", "CG sg 0 100u"] if side == 1 else []),
            f"VS{side} sg s{side} 0",
        ]
    screen_v = row.get("screen_v", row["plate_v"]) + row.get("bias_v", 0.0)
    return [f"VS{side} s{side} 0 {screen_v}"]


def _cathode(row: Row, side: int) -> list[str]:
    if "cathode_ohm" not in row:
        return [f"VK{side} k{side} 0 0"]
    if row.get("shared_cathode"):
        return [f"RK k1 0 {row['cathode_ohm']}", "CK k1 0 470u"] if side == 1 else []
    return [f"RK{side} k{side} 0 {row['cathode_ohm']}", f"CK{side} k{side} 0 470u"]


def _grid(row: Row, side: int) -> list[str]:
    """An ideal source of the bias; the sine goes in series with each grid."""
    return [f"VG{side} g{side} 0 {row.get('grid_v', 0.0)}"]


def hookup(row: Row) -> Hookup:
    """Drive both grids in antiphase."""
    tapped = row.get("connection") == "ultralinear"
    if row["form"] == "push_pull":
        return Hookup(
            None,
            series_grids=(("X1", 1.0), ("X2", -1.0)),
            output_nets=("s", "0"),
            speakers=("RL",),
            primaries=("L1", "L2", "L1B", "L2B") if tapped else ("L1", "L2"),
            bare_windings=(("s1", "b"), ("s2", "b"), ("p1", "s1"), ("p2", "s2"))
            if tapped
            else (("p1", "b"), ("p2", "b")),
        )
    return Hookup(
        None,
        series_grids=(("X1", 1.0),),
        output_nets=("s", "0"),
        speakers=("RL",),
        primaries=("L1",),
        bare_windings=(("p1", "b"),),
    )


def figure_of(state: Solved, figure: str) -> float:
    """Return a figure of all tubes together, in the words of the rows."""
    tubes = state.tubes.values()
    if figure.startswith("cathode"):
        return sum(tube.cathode_current_a for tube in tubes)
    if figure.startswith("screen"):
        return sum(tube.screen_current_a or 0.0 for tube in tubes)
    return sum(tube.plate_current_a for tube in tubes)


def resistance_coupled(row: Row) -> Circuit:
    """Write a resistance-coupled stage with the grid resistor of the next one."""
    pentode = "screen_ohm" in row
    screen = [f"RS b s {row['screen_ohm']}", "CS s k 100u"] if pentode else []
    return circuit_of(
        f"VB b 0 {row['supply_v']}",
        f"R1 b p {row['plate_ohm']}",
        f"X1 p {'s ' if pentode else ''}g k {row['tube']}",
        *screen,
        f"R2 k 0 {row['cathode_ohm']}",
        "C1 k 0 1000u",
        "C2 p out 1u",
        f"R3 out 0 {row['next_grid_ohm']}",
        "VIN g 0 0",
    )
