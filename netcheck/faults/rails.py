"""B+ behind the rectifier: capacitors, droppers, chokes and bleeders.

Comes in: a circuit and its roles.  Goes out: what loads, opens or shorts a rail.

References: droppers open or drift after a capacitor behind them has leaked; an electrolytic
below 80 % of its capacitance counts as worn out (common practice).

References.  Open and short are 42 % each of transformer and coil failures: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.changes import OPEN_OHM, SHORT_OHM, Change, SetWire
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    BURNT_WINDING,
    PRACTICE,
    Fault,
    FaultKind,
    Found,
    Sign,
    Word,
    likelihood,
    rippling,
)
from netcheck.faults.capacitor import (
    CAPACITOR_SOURCE,
    ELECTROLYTIC_DRIED,
    FILTERING,
    LEAK_OR_LOSS,
    VENTS,
    Wear,
)
from netcheck.faults.common import (
    POWER_OFF,
    across,
    make_fault,
    parts_with_role,
)
from netcheck.faults.resistor import (
    BRIDGED,
    BURNT,
    BURNT_OPEN,
    DRIFTED,
    DRIFTED_DOWN,
    DRIFTED_UP,
    OPEN_AFTER_OVERLOAD,
    OTHER_VALUE,
    RESISTOR,
    RESISTOR_SOURCE,
    WRONG_VALUE,
    Habits,
)
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

EITHER = likelihood(
    "occasional",
    "common practice; open and short are 42 % each of coil failures (FMD-91, from memory)",
)


def _chokes(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List open and short of every choke of a rail or at a plate."""
    for part, played in parts_with_role(
        circuit, roles, "inductor", RoleName.RAIL_CHOKE, RoleName.PLATE_CHOKE
    ):
        name = f"{part.ref}, the choke to {played[0].of},"
        yield _choke_fault(part, "winding_open", SetWire(part.ref, OPEN_OHM), f"{name} is open")
        yield _choke_fault(part, "shorted", across(part, SHORT_OHM), f"{name} is shorted")


def _choke_fault(part: Part, kind: str, change: Change, summary: str) -> Fault:
    ohm = part.note.dcr_ohm
    right = f"{ohm:.4g} ohm belongs there" if ohm else "tens to hundreds of ohms belong there"
    return make_fault(
        [part.ref],
        kind,
        [change],
        EITHER,
        summary=f"{summary}.",
        measure=f"{POWER_OFF}: measure the resistance of {part.ref}; {right}.",
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="supply_capacitor",
        search=Wear(
            (RoleName.RESERVOIR_CAPACITOR, RoleName.DECOUPLING_CAPACITOR),
            leaks_ohm=(1e3, 10e3, 100e3),
            dried=ELECTROLYTIC_DRIED,
        ),
        title="Leaky, shorted, dried-out or open capacitor of B+",
        does="A reservoir or decoupling electrolytic leaks, shorts, or has lost its capacitance.",
        why="A leak or a short loads rectifier, transformer and the droppers before it; the "
        "droppers burn first. What hangs behind them gets less, so that tubes run cooler. Lost "
        "capacitance shows as hum and as feedback from stage to stage over the supply.",
        limits="B+ is a direct voltage behind a resistance here: neither ripple nor the fall of "
        "B+ to the mean of the rectified wave is modelled. A capacitor straight across an ideal "
        "source is not listed as leaky: nothing else would change.",
        examples=(
            "C21/leaky@10kohm",
            "C20/shorted",
            "C22/dried@30%",
        ),
        model=f"{LEAK_OR_LOSS}; a dried-out one keeps 30 %.",
        defects="Leaks of 1, 10 and 100 kohm; a short of 0.1 ohm; 30 % of its capacitance; open; "
        "swept from 100 Mohm to 100 ohm.",
        likelihood="Leak, short and drying out common, and very common when old; open occasional.",
        readings="Leak: the node reads low and the dropper before it is hot. Short: fuse. Dried "
        "out: hum, and tubes that work on each other.",
        next_step="Power off, capacitors discharged: lift the capacitor, measure capacitance, "
        "then leakage at its working voltage.",
        source=CAPACITOR_SOURCE,
        group="mains and supply",
        body="capacitor",
        words=FILTERING,
        signs=(
            VENTS,
            Sign(
                "blows",
                0.8,
                f"{PRACTICE}: nothing but the supply's own resistance limits the current",
                "shorted",
                role=RoleName.RESERVOIR_CAPACITOR,
            ),
            Sign(
                "blows",
                0.5,
                f"{PRACTICE}: a choke or a dropper may limit the current first",
                "shorted",
            ),
            Sign(
                "hum",
                0.9,
                "derived: ripple Vpp = I/(2 f C) grows as the capacitance falls",
                "open dried",
            ),
            Sign("hum", 0.4, f"{PRACTICE}: leaky electrolytics heat, dry out and hum", "leaky"),
            Sign("hum", 0.03, f"{PRACTICE}: no B+, no sound", "shorted"),
            Sign(
                "new_rectifier",
                1.5,
                f"{PRACTICE}: without warm-up delay capacitors see the full peak",
                "leaky shorted",
            ),
        ),
    ),
    FaultKind(
        name="rail_dropper",
        search=Habits((RoleName.RAIL_DROPPER,), drifts=(1.5, 2.0), open=OPEN_AFTER_OVERLOAD),
        title="Open, shorted, drifted or wrong dropper in B+",
        does="The resistor between two nodes of the supply no longer drops what it should.",
        why="Too low a value or a short lifts all that hangs behind it: screens see more, and "
        "current goes with a power of 1.5 of screen volts; capacitors behind it may see more than "
        "they are made for. An open one leaves the node behind it dead and the one before it "
        "higher.",
        limits="A regulator in its place is not recognised as one; a shorted regulator acts as a "
        "shorted dropper.",
        examples=(
            "R20/shorted",
            "R20/wrong_value@1kohm",
        ),
        model=OTHER_VALUE,
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5 and x2, "
        "open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Open common (after a leak behind it); decade slip common, neighbor and drift "
        "occasional; short rare.",
        readings="The node behind it reads 0 V, or as much as the node before it; the drop over "
        "marked resistance disagrees with the current behind it.",
        next_step="Power off, capacitors discharged: measure the resistor, and the capacitor "
        "behind it for a leak.",
        source=RESISTOR_SOURCE,
        group="mains and supply",
        body="resistor",
        words=rippling(
            "network", WRONG_VALUE, DRIFTED, DRIFTED_DOWN, DRIFTED_UP, BRIDGED, BURNT_OPEN
        ),
        signs=BURNT,
    ),
    FaultKind(
        name="rail_choke",
        search=Found(_chokes),
        title="Open or shorted choke",
        does="The choke between two B+ nodes breaks, or its winding is shorted or bridged.",
        why="Open, all that hangs behind it is dead and the reservoir before it rises. Shorted, "
        "the nodes behind it rise by the choke's own drop; hum follows.",
        limits="Ripple is not in the netlist's direct supply.",
        examples=(
            "L10/winding_open",
            "L10/shorted",
        ),
        model="Its wire becomes 1 Gohm, or a resistor of 0.1 ohm lies across it.",
        defects="Open; a short of 0.1 ohm.",
        likelihood="Occasional.",
        readings="Open: nothing behind it. Shorted: hum, and both nodes at the same volts.",
        next_step="Power off, capacitors discharged: measure the choke's resistance.",
        source="common practice; FMD-91, from memory",
        group="mains and supply",
        body="choke",
        words=(
            Word("winding_open", "occasional", "chance", gives_up=True, ripple="network"),
            Word("shorted", "occasional", "chance", ripple="network"),
        ),
        signs=(
            BURNT_WINDING,
            Sign("hum", 0.7, f"{PRACTICE}: a choke without inductance filters nothing", "shorted"),
            Sign("hum", 0.03, f"{PRACTICE}: no B+, no sound", "winding_open"),
        ),
    ),
    FaultKind(
        name="bleeder",
        search=Habits((RoleName.BLEEDER,), drifts=(2.0,)),
        title="Open, missing or wrong bleeder or divider leg at B+",
        does="A resistor from B+ or from a screen to ground no longer draws its current.",
        why="As the lower leg of a divider it holds the screen down: open, the screen rises up to "
        "B+ and the tube draws more. As a plain bleeder it only matters for safety: the "
        "capacitors stay charged after switch-off. A wrong low value burns itself.",
        limits="The charge that stays after switch-off is not solved.",
        examples=(
            "R22/open",
            "R22/wrong_value@22kohm",
        ),
        model=OTHER_VALUE,
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x2, open, "
        "shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor, drift and open occasional; short rare.",
        readings="High voltage stays after switch-off; a screen behind an open leg reads B+.",
        next_step="Power off, and wait: measure whether the capacitors discharge by themselves, "
        "then the resistor.",
        source=RESISTOR_SOURCE,
        group="mains and supply",
        body="resistor",
        words=RESISTOR,
        signs=BURNT,
    ),
)
