"""One hand-built audit: small, but with every ending a fault can have.

The figures are made up so that each section of a report has something to say;
they agree with each other (watts are volts times amperes) but no circuit was
solved for them.
"""

from __future__ import annotations

from dataclasses import replace

from netcheck.circuit.model import Circuit, Part, Pin
from netcheck.conditions import WORST_DRIVE
from netcheck.faults.base import Defect, Fault, likelihood
from netcheck.findings import Finding
from netcheck.judge.base import EVERY_CONDITION, Load, PartLimit, Verdict
from netcheck.judge.limits import limits_of
from netcheck.judge.stress import judge_state
from netcheck.models.audit import Audit
from netcheck.netlist.cards import PartNote
from netcheck.netlist.flat import FlatElement
from netcheck.rank import FaultResult, PartWorst
from netcheck.roles.base import Role, Roles, Stage
from netcheck.roles.table import RoleName
from netcheck.solve.results import NotSolved, Outcome, Solved, TubeState
from netcheck.source import Span
from netcheck.tipping import TippingPoint

FILE = "small.cir"


def part(ref: str, kind: str, pins: str, value: float | None = None, tube: str = "") -> Part:
    """Return a part from `plate=p grid=g` pins."""
    made = tuple(Pin(*pin.split("=")) for pin in pins.split())
    span = Span(FILE, 2, 1, 2, 20)
    element = FlatElement(ref, ref[0], tuple(pin.net for pin in made), span, value, name=tube)
    return Part(ref, kind, made, value, PartNote(), element)  # type: ignore[arg-type]


def circuit(title: str = "Single-ended 6V6GT, cathode bias") -> Circuit:
    """Return a driver and an output stage."""
    parts = [
        part("C2", "capacitor", "a=p1 b=g2", 22e-9),
        part("C3", "capacitor", "a=k2 b=0", 25e-6),
        part("L1", "inductor", "a=bp b=p2", 12.0),
        part("L2", "inductor", "a=0 b=out", 0.0192),
        part("R1", "resistor", "a=bp b=p1", 100e3),
        part("R2", "resistor", "a=g2 b=0", 470e3),
        part("R3", "resistor", "a=k2 b=0", 470.0),
        part("R4", "resistor", "a=out b=0", 8.0),
        part("R5", "resistor", "a=k1 b=0", 1.5e3),
        part("R9", "resistor", "a=bp b=x", 1e6),
        part("VB", "voltage_source", "plus=bp minus=0", 300.0),
        part("X1", "tube", "plate=p1 grid=in cathode=k1", tube="12AX7"),
        part("X2", "tube", "plate=p2 screen=bp grid=g2 cathode=k2", tube="6V6GT"),
    ]
    return Circuit(title, {one.ref: one for one in parts})


def roles() -> Roles:
    """Return what would be recognised; the output stage stands first on purpose."""
    return Roles(
        roles=(
            Role("C2", RoleName.COUPLING_CAPACITOR, "X1", "joins X1 to X2", 1.0, "p1", "g2"),
            Role("R3", RoleName.CATHODE_RESISTOR, "X2", "between the cathode of X2 and ground"),
            Role("R2", RoleName.GRID_LEAK, "X2", "from the grid of X2 to ground", 0.9),
        ),
        stages=(
            Stage(
                "single_ended(X2)",
                "single_ended",
                ("X2",),
                "pentode",
                "cathode",
                ("the plate of X2 is fed through L1, coupled to the loaded L2",),
                is_output=True,
            ),
            Stage(
                "voltage_amplifier(X1)",
                "voltage_amplifier",
                ("X1",),
                "triode",
                "cathode",
                ("R1 loads the plate of X1", "C2 takes its signal on"),
                confidence=0.9,
            ),
        ),
        transformers=(),
        bias_supplies=(),
        rails=("bp",),
        input_source=None,
        unrecognised=("R9",),
        signal_order=("voltage_amplifier(X1)", "single_ended(X2)"),
    )


def triode(plate_v: float = 190.0) -> TubeState:
    """Return a state of X1."""
    return TubeState(
        plate_v, None, -0.0, 1.65, 1.1e-3, None, -1e-9, 1.1e-3 * (plate_v - 1.65), None, 260.0, 2e-3
    )


def pentode(watts: float, grid_v: float = 0.0) -> TubeState:
    """Return a state of X2 at 274 V from plate to cathode."""
    current = watts / 274.0
    return TubeState(
        292.0, 300.0, grid_v, 18.0, current, 2.8e-3, -1e-8, watts, 0.7896, 560.0, 2 * current
    )


def solved(condition: str, watts: float, *, input_v: float = 0.0, grid_v: float = 0.0) -> Solved:
    """Return a solved state in which X2 dissipates `watts`."""
    return Solved(
        condition,
        nets={"p1": 190.0, "bp": 300.0, "g2": grid_v, "k2": 18.0, "p2": 292.0, "g10": 1 / 3},
        tubes={"X2": pentode(watts, grid_v), "X1": triode()},
        parts={},
        input_v=input_v,
        frequency_hz=1000.0 if input_v else 0.0,
        output_w=3.6 if input_v else 0.0,
        primary_output_w=4.2123456 if input_v else 0.0,
        distortion=0.0812 if input_v else 0.0,
        readings={"g2": grid_v * 0.955},
    )


def stress(
    ratio: float,
    *,
    part: str = "X2",
    quantity: str = "plate_dissipation_w",
    condition: str = "idle",
    limit: float = 12.0,
    healthy: float = 0.87,
) -> Load:
    """Return one judged quantity; R3 and C3 are ordinary parts."""
    return Load(
        part,
        quantity,
        condition,
        ratio * limit,
        limit,
        limit,
        healthy,
        "design_center",
        "nominal against the limit as published",
        0 if part[0] in "XL" else 1,
    )


def result(
    fault: Fault,
    verdict: Verdict,
    outcome: Outcome,
    *stresses: Load,
    gross: bool = False,
    unjudged: tuple[str, ...] = (),
) -> FaultResult:
    """Return a fault solved idle."""
    victims = tuple(one for one in stresses if one.ratio > 0.95)
    return FaultResult(
        fault,
        {"idle": outcome},
        verdict,
        {"idle": verdict},
        stresses[0] if stresses else None,
        victims,
        gross,
        unjudged=unjudged,
    )


MEASURE_C2 = "X2 out, power on: measure its grid pin; volts there come through C2."
COMMON = likelihood("common", "common practice")
RARE = likelihood("rare", "common practice")


def leak(ohm: float, text: str) -> Fault:
    """Return a leak of C2."""
    summary = f"C2 leaks {text} from the plate of X1 to the grid of X2."
    return Fault(
        f"C2/leaky@{text}", ("C2",), "leaky", (), COMMON, summary, Defect(ohm, "ohm"), MEASURE_C2
    )


def fault_results() -> tuple[FaultResult, ...]:
    """Return faults in ranked order, one for each verdict at least."""
    shorted = Fault("C2/shorted", ("C2",), "shorted", (), RARE, "C2 is shorted.", None, MEASURE_C2)
    wrong = Fault(
        "R3/wrong_value@270ohm",
        ("R3",),
        "wrong_value",
        (),
        COMMON,
        "R3 is 270 ohm instead of 470 ohm.",
        Defect(270.0, "ohm"),
        "Power off: measure R3.",
    )
    opened = Fault("R2/open", ("R2",), "open", (), RARE, "R2 is open.")
    turns = Fault(
        "L1/shorted_turns@0.5%", ("L1",), "shorted_turns", (), RARE, "Turns of L1 are shorted.",
        Defect(0.5, "%"),
    )  # fmt: skip
    drifted = Fault("R3/drifted@423ohm", ("R3",), "drifted", (), COMMON, "R3 is 423 ohm.")
    power = stress(1.3, part="R3", quantity="power_w", limit=1.0, healthy=0.7)
    return (
        result(shorted, "over_limit", solved("idle", 50.4, grid_v=12.0), stress(4.2), gross=True),
        result(leak(2e6, "2Mohm"), "over_limit", solved("idle", 25.2, grid_v=8.9), stress(2.1)),
        result(wrong, "over_limit", solved("idle", 15.0), stress(1.25), power),
        result(opened, "not_solved", NotSolved("idle", "no operating point was found in 5 s")),
        result(turns, "not_judged", solved("idle", 10.4), unjudged=("L1",)),
        result(drifted, "at_limit", solved("idle", 11.9), stress(0.99)),
        result(leak(5e8, "500Mohm"), "within_limits", solved("idle", 10.5), stress(0.875)),
    )


def tipping_points() -> tuple[TippingPoint, ...]:
    """Return one tipping point for each status, out of order."""
    plate = "plate_dissipation_w"
    return (
        TippingPoint(
            "R3/drifted", ("R3",), "drifted", "X2", plate, "idle", "below", 398.2, "ohm", "found",
            (470.0, 47.0),
        ),
        TippingPoint(
            "L1/shorted_turns", ("L1",), "shorted_turns", "", "", "idle", "above", None, "%",
            "never", (0.1, 50.0), ("idle", "full"),
        ),
        TippingPoint(
            "C2/leaky", ("C2",), "leaky", "X2", plate, "idle", "below", 14.237e6, "ohm", "found",
            (1e10, 1e5),
        ),
        TippingPoint(
            "C3/leaky", ("C3",), "leaky", "X2", plate, "idle", "below", None, "ohm",
            "already_over", (1e4, 50.0),
        ),
        TippingPoint(
            "R2/drifted", ("R2",), "drifted", "X2", plate, "idle", "above", None, "ohm",
            "not_solved", (470e3, 4.7e7),
        ),
    )  # fmt: skip


def findings() -> tuple[Finding, ...]:
    """Return a note and a warning, the note first."""
    return (
        Finding("value-engineer-style", "note", "`4k7` was read as 4.7 kohm", "R9",
                Span(FILE, 11, 10, 11, 13)),
        Finding("dangling-net", "warning", "net x has one pin only", "R9",
                Span(FILE, 11, 7, 11, 8)),
        Finding("not-settled", "warning", "overdrive of the healthy circuit settles slowly"),
    )  # fmt: skip


def build(**changes: object) -> Audit:
    """Return the audit, with some fields replaced."""
    fields: dict[str, object] = {
        "file": FILE,
        "circuit": circuit(),
        "roles": roles(),
        "healthy": {
            "overdrive": NotSolved("overdrive", "two windows disagree after 1 s", 9.0),
            "full": solved("full", 10.0, input_v=4.5),
            "idle": solved("idle", 10.4),
        },
        "healthy_stresses": (
            stress(0.8667),
            stress(0.36, quantity="screen_dissipation_w", limit=2.2, healthy=0.36),
            stress(0.97, part="C3", quantity="voltage_v", limit=18.5, healthy=0.97),
        ),
        "worst_drive": (stress(10.4 / 12.0, condition=WORST_DRIVE),),
        "faults": fault_results(),
        "worst_of_part": {
            "R3": PartWorst(
                "R3",
                "R3/wrong_value@270ohm",
                stress(1.3, part="R3", quantity="power_w", limit=1.0, healthy=0.7),
            ),
            "X2": PartWorst("X2", "C2/shorted", stress(4.2)),
        },
        "tipping_points": tipping_points(),
        "findings": findings(),
        "assumptions": ("Heaters are taken as grounded.",),
        "not_judged": ("C2: voltage_v: no rating in its note",),
        "frequency_hz": 1000.0,
        "meter_ohm": 10e6,
        "engine": "ngspice 39",
    }
    return _judged(Audit(**(fields | changes)))  # type: ignore[arg-type]


def _judged(audit: Audit) -> Audit:
    """Return the audit with the loads that its states give."""
    known = {name: one for name, one in audit.healthy.items() if isinstance(one, Solved)}
    table = limits_of(audit.circuit, audit.roles, known)
    plate = PartLimit(
        "X2", "plate_dissipation_w", 12.0, 12.0, "design_center", "", "a sheet", EVERY_CONDITION
    )
    if plate.part in audit.circuit.parts:
        table = replace(table, limits=(*table.limits, plate))

    def loads(outcome: Outcome) -> tuple[Load, ...]:
        if not isinstance(outcome, Solved) or outcome.condition not in known:
            return ()
        return judge_state(audit.circuit, table, outcome, known)

    faults = tuple(
        replace(one, loads={name: loads(each) for name, each in one.conditions.items()})
        for one in audit.faults
    )
    idle = audit.healthy.get("idle", NotSolved("idle", "not asked for"))
    return replace(audit, table=table, idle_loads=loads(idle), faults=faults)
