"""Hand-built tube types, circuits and solved states for tests of judging."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from netcheck.circuit.model import Circuit, Part, Pin, natural_key
from netcheck.faults.base import Fault, likelihood
from netcheck.judge.base import Load
from netcheck.netlist.cards import PartNote
from netcheck.roles.base import Role, Roles, Stage
from netcheck.roles.table import RoleName
from netcheck.solve.results import PartState, Solved, TubeState
from netcheck.tubes.types import Limit, TubeType

PLAIN = PartNote()


def limit(
    quantity: str,
    value: float,
    system: str = "design_center",
    condition: str = "any",
    used: bool = True,
) -> Limit:
    return Limit.model_construct(
        quantity=quantity,
        value=value,
        rating_system=system,
        condition=condition,
        used=used,
        source="a sheet",
        note="",
    )


def tube_type(
    name: str, *limits: Limit, kind: str = "pentode", directly_heated: bool = False
) -> TubeType:
    return TubeType.model_construct(
        name=name,
        kind=kind,
        power=True,
        base="octal, 8 pins",
        directly_heated=directly_heated,
        limits=limits,
    )


EL34 = tube_type(
    "EL34",
    limit("plate_dissipation_w", 25.0, condition="zero_signal"),
    limit("plate_dissipation_w", 27.5, condition="with_signal"),
    limit("screen_dissipation_w", 8.0),
    limit("plate_voltage_v", 800.0),
    limit("plate_voltage_v", 2000.0, condition="cold"),
    limit("cathode_current_a", 0.15),
)
EL84 = tube_type(
    "EL84",
    limit("plate_dissipation_w", 12.0),
    limit("screen_dissipation_w", 2.0),
    limit("screen_dissipation_w", 4.0, condition="speech_peak"),
    limit("cathode_current_a", 0.065),
)
KT88 = tube_type(
    "KT88",
    limit("plate_dissipation_w", 35.0, "design_maximum"),
    limit("screen_dissipation_w", 6.0, "design_maximum"),
    limit("plate_plus_screen_dissipation_w", 40.0, "design_maximum"),
    limit("plate_voltage_v", 800.0, "design_maximum"),
    limit("screen_voltage_v", 600.0, "design_maximum"),
    limit("plate_and_screen_voltage_v", 600.0, "design_maximum"),
)
TRIODE = tube_type(
    "12AX7",
    limit("plate_dissipation_w", 1.0),
    limit("plate_dissipation_w", 1.2, "design_maximum", used=False),
    limit("plate_voltage_v", 300.0),
    limit("heater_cathode_voltage_v", 180.0),
    kind="triode",
)
TWIN = tube_type(
    "6SN7GTB",
    limit("plate_dissipation_w", 5.0, "design_maximum"),
    limit("both_plates_dissipation_w", 7.5, "design_maximum"),
    kind="triode",
)


def tube(ref: str, kind: TubeType | None, note: PartNote = PLAIN) -> Part:
    names = ("plate", "grid", "cathode")
    if kind is None or kind.kind == "pentode":
        names = ("plate", "screen", "grid", "cathode")
    pins = tuple(Pin(name, f"{ref}.{name}") for name in names)
    return Part(ref, "tube", pins, None, note, tube=kind)


def two_pin(ref: str, value: float, note: PartNote = PLAIN) -> Part:
    kind = {"R": "resistor", "C": "capacitor", "L": "inductor", "D": "diode"}[ref[0]]
    return Part(ref, kind, (Pin("a", f"{ref}.a"), Pin("b", f"{ref}.b")), value, note)  # type: ignore[arg-type]


def circuit_of(*parts: Part) -> Circuit:
    ordered = sorted(parts, key=lambda part: natural_key(part.ref))
    return Circuit("test", {part.ref: part for part in ordered})


def roles_of(
    roles: Mapping[str, str] | None = None, connection: str = "pentode", tubes: Iterable[str] = ()
) -> Roles:
    stage = Stage("stage", "push_pull", tuple(tubes), connection, "fixed", (), is_output=True)
    given = tuple(Role(part, RoleName(name), "", "test") for part, name in (roles or {}).items())
    return Roles(given, (stage,), (), (), (), None, ())


def tube_state(
    plate_w: float = 10.0,
    screen_w: float | None = 1.0,
    plate_v: float = 400.0,
    screen_v: float | None = 400.0,
    current_a: float = 0.04,
    cathode_v: float = 0.0,
    peak_v: float = 0.0,
    peak_a: float = 0.0,
) -> TubeState:
    return TubeState(
        plate_v=plate_v,
        screen_v=screen_v,
        grid_v=cathode_v - 30.0,
        cathode_v=cathode_v,
        plate_current_a=current_a,
        screen_current_a=None if screen_w is None else 0.0,
        grid_current_a=0.0,
        plate_dissipation_w=plate_w,
        screen_dissipation_w=screen_w,
        plate_peak_v=peak_v or plate_v,
        cathode_peak_current_a=peak_a or current_a,
    )


def part_state(
    voltage_v: float = 0.0,
    current_a: float = 0.0,
    power_w: float = 0.0,
    peak_v: float | None = None,
    rms_a: float | None = None,
) -> PartState:
    return PartState(
        voltage_v,
        abs(voltage_v) if peak_v is None else peak_v,
        current_a,
        abs(current_a) if rms_a is None else rms_a,
        power_w,
    )


def solved(
    condition: str = "idle",
    tubes: Mapping[str, TubeState] | None = None,
    parts: Mapping[str, PartState] | None = None,
) -> Solved:
    return Solved(condition, {"0": 0.0}, tubes or {}, parts or {})


def fault(fault_id: str, level: str = "common") -> Fault:
    parts, kind = fault_id.split("/")
    return Fault(
        fault_id,
        (parts,),
        kind.split("@")[0],
        (),
        likelihood(level, "common practice"),  # type: ignore[arg-type]
        "a test",
    )


PLATE_STRESS = Load(
    "V3", "plate_dissipation_w", "idle", 10.0, 25.0, 25.0, 0.4, "design_center", "", 0
)


def stress(
    part: str = "V3",
    ratio: float = 0.4,
    healthy_ratio: float = 0.4,
    rank_class: int = 0,
    condition: str = "idle",
    quantity: str = "plate_dissipation_w",
) -> Load:
    return replace(
        PLATE_STRESS,
        part=part,
        quantity=quantity,
        condition=condition,
        value=ratio * PLATE_STRESS.compared_limit,
        healthy_ratio=healthy_ratio,
        rank_class=rank_class,
    )
