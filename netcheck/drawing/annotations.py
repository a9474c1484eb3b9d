"""What is written on a drawing: idle volts, amperes, watts and shares of limits.

Comes in: a solved state with its stresses, and for a fault the healthy state.  Goes
out: `Annotations`, texts and levels by part and net; the drawing itself stays as it
is.  The level says how near a part is to its nearest limit, in five steps.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.drawing.style import pretty, type_name
from netcheck.judge.base import CHARGE_MARGIN, Load, ratio_verdict
from netcheck.roles.base import Roles
from netcheck.solve.results import Solved, TubeState
from netcheck.units import format_quantity

if TYPE_CHECKING:
    from netcheck.drawing.paint import Group

Level = Literal["cool", "warm", "hot", "at", "over"]
Mark = Literal["", "changed", "fault", "suspect"]

WARM, HOT = 0.5, 0.8
"""Half the rating is the usual choice for a long life, four fifths leaves little room
(common practice)."""
WORTH_SAYING, WORTH_SAYING_W = 1e-3, 1e-3
"""Fewer milliamperes, millivolts or milliwatts are no reading worth the ink."""
CHANGED_SHARE = 0.02
CHANGED_V = 0.5
"""Less than this, and less than 2 %, is no change worth a mark."""
SUMMED = frozenset({"both_plates_dissipation_w"})
MOVES_WITH_SIGNAL = frozenset({"screen_dissipation_w"})


@dataclass(frozen=True, slots=True)
class Caption:
    """What is said of one part: up to two lines, and a bar where there is a limit.

    share: of the limit it is nearest to; healthy_share: the same without the fault.
    mark: `fault` for a part that is faulty, `changed` for one that the fault moves,
        `suspect` for one that may be faulty.
    """

    text: str = ""
    share: float | None = None
    level: Level = "cool"
    healthy_share: float | None = None
    mark: Mark = ""
    of: str = ""
    """The limit in words, where it is not the one that the text is about."""


@dataclass(frozen=True, slots=True)
class Volts:
    """Idle volts of a net; `trend` is +1 or -1 where a fault has moved them."""

    text: str
    trend: int = 0
    healthy: str = ""


@dataclass(frozen=True, slots=True)
class Annotations:
    """Everything written on a drawing besides names and values.

    hover: sentences by part, shown on hover and read aloud.
    heading: one line above the drawing.
    overlay: ink over everything else, such as callouts (`callouts.py`).
    """

    captions: Mapping[str, Caption] = field(default_factory=dict)
    screens: Mapping[str, Caption] = field(default_factory=dict)
    volts: Mapping[str, Volts] = field(default_factory=dict)
    hover: Mapping[str, str] = field(default_factory=dict)
    heading: str = ""
    overlay: tuple[Group, ...] = ()


def level_of_share(share: float) -> Level:
    """Return the step of the heat scale a share of a limit stands on."""
    verdict = ratio_verdict(share)
    if verdict == "over_limit":
        return "over"
    if verdict == "at_limit":
        return "at"
    if share >= HOT:
        return "hot"
    return "warm" if share >= WARM else "cool"


def role_annotations(circuit: Circuit, roles: Roles, heading: str = "") -> Annotations:
    """Return annotations that say only what each part is."""
    hover = {part.ref: role_words(part, roles) for part in circuit}
    return Annotations(hover=hover, heading=heading)


def annotate(
    circuit: Circuit,
    roles: Roles,
    solved: Solved,
    stresses: Iterable[Load],
    healthy: Solved | None = None,
    faulty: tuple[str, ...] = (),
    heading: str = "",
) -> Annotations:
    """Return the annotations of one solved state.

    stresses: of this state; others are passed over.
    healthy, faulty: the healthy state and the faulty parts, for a fault.
    """
    worst: dict[str, Load] = {}
    screens: dict[str, Load] = {}
    for stress in stresses:
        if stress.condition != solved.condition:
            continue
        table = screens if stress.quantity == "screen_dissipation_w" else worst
        if stress.part not in table or stress.ratio > table[stress.part].ratio:
            table[stress.part] = stress
    captions = {
        part.ref: _caption(part, solved, worst.get(part.ref), healthy, faulty) for part in circuit
    }
    hover = {
        part.ref: _sentence(role_words(part, roles), captions[part.ref], screens.get(part.ref))
        for part in circuit
    }
    return Annotations(
        captions={
            ref: caption for ref, caption in captions.items() if caption.text or caption.mark
        },
        screens=_screens(circuit, solved, screens),
        volts=_volts(circuit, solved, healthy),
        hover=hover,
        heading=heading,
    )


def role_words(part: Part, roles: Roles) -> str:
    """Return what a part is and for which tube: `R4: cathode resistor of X1`."""
    said: dict[str, list[str]] = {}
    for role in roles.of_part(part.ref):
        of = said.setdefault(role.name.words, [])
        if role.of and role.of != part.ref:
            of.append(role.of)
    what = "; ".join(f"{name} of {', '.join(of)}" if of else name for name, of in said.items())
    kind = type_name(part) if part.kind == "tube" else part.kind.replace("_", " ")
    return f"{part.ref}, {kind}: {what or 'no recognised role'}"


def _caption(
    part: Part,
    solved: Solved,
    stress: Load | None,
    healthy: Solved | None,
    faulty: tuple[str, ...],
) -> Caption:
    text = _reading(part, solved)
    mark: Mark = "fault" if part.ref in faulty else ""
    if stress is None:
        before = _reading(part, healthy) if healthy else text
        return Caption(text, mark=mark or ("changed" if before != text and _tube(part) else ""))
    moved = healthy is not None and abs(stress.ratio - stress.healthy_ratio) > CHARGE_MARGIN
    return Caption(
        text,
        stress.ratio,
        level_of_share(stress.ratio),
        stress.healthy_ratio if healthy is not None else None,
        mark or ("changed" if moved else ""),
        _limit_words(stress),
    )


def _tube(part: Part) -> bool:
    return part.kind == "tube"


def _limit_words(stress: Load) -> str:
    return stress.quantity.rpartition("_")[0].replace("_", " ")


def _reading(part: Part, solved: Solved | None) -> str:
    """Return amperes and watts of a tube, watts of a resistor, volts of a capacitor."""
    if solved is None:
        return ""
    if part.kind == "tube":
        state = solved.tubes.get(part.ref)
        return _tube_reading(state) if state else ""
    each = solved.parts.get(part.ref)
    if each is None:
        return ""
    if part.kind == "resistor":
        return _watts(each.power_w)
    if part.kind == "capacitor":
        return _short(abs(each.voltage_v), "V")
    return _short(abs(each.current_a), "A") if part.kind == "inductor" else ""


def _tube_reading(state: TubeState) -> str:
    milliamperes = state.plate_current_a * 1e3
    if abs(milliamperes) < WORTH_SAYING:
        milliamperes = 0.0
    return f"{milliamperes:.3g} mA  {_watts(state.plate_dissipation_w) or '0 W'}"


def _watts(value: float) -> str:
    return _short(value, "W") if abs(value) >= WORTH_SAYING_W else ""


def _short(value: float, unit: str) -> str:
    if abs(value) < WORTH_SAYING:
        return ""
    if unit == "V" and abs(value) < 1000:
        return f"{value:.0f} V" if abs(value) >= 100 else f"{value:.3g} V"
    return pretty(format_quantity(value, unit, 3))


def _screens(circuit: Circuit, solved: Solved, stresses: Mapping[str, Load]) -> dict[str, Caption]:
    found = {}
    for tube in circuit.tubes:
        state = solved.tubes.get(tube.ref)
        if state is None or state.screen_dissipation_w is None:
            continue
        text = f"screen {_watts(state.screen_dissipation_w) or '0 W'}"
        stress = stresses.get(tube.ref)
        found[tube.ref] = (
            Caption(text)
            if stress is None
            else Caption(
                text,
                stress.ratio,
                level_of_share(stress.ratio),
                stress.healthy_ratio,
                of="screen dissipation",
            )
        )
    return found


def _volts(circuit: Circuit, solved: Solved, healthy: Solved | None) -> dict[str, Volts]:
    found = {}
    for net in circuit.nets:
        if net == GROUND or net not in solved.nets:
            continue
        now = solved.nets[net]
        before = healthy.nets.get(net, now) if healthy else now
        moved = abs(now - before) > max(CHANGED_V, CHANGED_SHARE * abs(before))
        trend = 0 if not moved else 1 if now > before else -1
        found[net] = Volts(_net_text(now), trend, _net_text(before) if moved else "")
    return found


def _net_text(value: float) -> str:
    if abs(value) < 0.05:
        return "0 V"
    return f"{value:.0f} V" if abs(value) >= 100 else f"{value:.1f} V"


def _sentence(what: str, caption: Caption, screen: Load | None) -> str:
    pieces = [what]
    if caption.text:
        pieces.append("  ".join(caption.text.split()))
    if caption.share is not None:
        pieces.append(f"{caption.share:.0%} of its limit ({caption.of})")
    if screen is not None:
        pieces.append(f"screen at {screen.ratio:.0%} of its limit")
    if caption.healthy_share is not None and caption.mark:
        pieces.append(f"{caption.healthy_share:.0%} without the fault")
    return "; ".join(pieces)
