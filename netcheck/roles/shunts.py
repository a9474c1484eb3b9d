"""What a branch is that is no feedback: speaker, zobel, winding loss, shunt.

Comes in: the branches of `feedback.py`.  Goes out: roles, and the load of each
transformer.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import GROUND
from netcheck.roles.base import Role
from netcheck.roles.facts import Facts
from netcheck.roles.feedback import Branch, feedback_nets
from netcheck.roles.table import RoleName

QUIET = frozenset({"ground", "rail", "bias"})


def load_roles(branches: list[Branch], facts: Facts) -> tuple[list[Role], dict[int, str]]:
    """Return the roles of what hangs across load windings, and the speakers."""
    roles: list[Role] = []
    speakers: dict[int, str] = {}
    by_owner: dict[str, list[Branch]] = {}
    for branch in branches:
        owners = branch.owners("secondary")
        if len(owners) == 1 and branch.kinds() <= {"secondary", "ground"}:
            by_owner.setdefault(owners[0], []).append(branch)
    for index in range(len(facts.transformers)):
        across = by_owner.get(str(index), [])
        floating = not any(
            GROUND in facts.transformers[index].windings[ref].ends
            for ref in facts.transformers[index].secondaries
        )
        reference = [b for b in across if floating and "ground" in b.kinds()]
        roles += [
            Role(
                part.ref,
                RoleName.GROUND_REFERENCE,
                str(branch.ends[0]),
                "ties the floating load winding to ground",
            )
            for branch in reference
            for part in branch.parts
        ]
        across = [branch for branch in across if branch not in reference]
        speaker = _speaker(across)
        for branch in across:
            roles += _load_branch(branch, branch is speaker)
        if speaker is not None:
            speakers[index] = _load_part(speaker)
    return roles, speakers


def _speaker(across: list[Branch]) -> Branch | None:
    """Return the branch that is the speaker: the noted one, else the lowest load."""
    noted = [b for b in across if any(part.note.is_speaker for part in b.parts)]
    if noted:
        return noted[0]
    loads = [b for b in across if b.has("resistor") and not _is_zobel(b)]
    return min(loads, key=lambda branch: branch.ohm, default=None)


def _is_zobel(branch: Branch) -> bool:
    """Say whether a branch is resistors and capacitors in series."""
    inner = {net for part in branch.parts for net in part.nets} - set(branch.ends)
    return (
        branch.has("capacitor")
        and not branch.has("inductor")
        and len(inner) == len(branch.parts) - 1
    )


def _load_part(branch: Branch) -> str:
    for part in branch.parts:
        if part.note.is_speaker:
            return part.ref
    hot = set(branch.nets("secondary"))
    resistors = [part for part in branch.parts if part.kind == "resistor"]
    resistors.sort(key=lambda part: not hot & set(part.nets))
    return resistors[0].ref if resistors else branch.parts[0].ref


def _load_branch(branch: Branch, is_speaker: bool) -> Iterator[Role]:
    net = branch.nets("secondary")[0]
    for part in branch.parts:
        if is_speaker:
            sure = 1.0 if part.note.is_speaker or len(branch.parts) == 1 else 0.9
            how = "noted as the speaker" if part.note.is_speaker else "load across the load winding"
            yield Role(part.ref, RoleName.SPEAKER_LOAD, net, how, sure)
        elif _is_zobel(branch) and branch.has("resistor"):
            yield Role(
                part.ref, RoleName.ZOBEL, net, "resistor and capacitor in series across the load"
            )
        elif part.kind == "capacitor":
            yield Role(part.ref, RoleName.WINDING_CAPACITANCE, net, "across the load winding", 0.8)
        else:
            yield Role(
                part.ref, RoleName.WINDING_LOSS, net, "across the load winding beside the load", 0.8
            )


def shunt_roles(branch: Branch, facts: Facts) -> Iterator[Role]:
    """Yield the roles of a branch by the kinds of net it stands between."""
    kinds = branch.kinds()
    signal = kinds - QUIET
    windings = _windings_of(branch, facts)
    if windings:
        for winding in windings:
            yield from _winding_shunt(branch, winding)
    elif signal == {"winding"}:
        name = RoleName.WINDING_CAPACITANCE if branch.only == "capacitor" else RoleName.WINDING_LOSS
        text = "across the winding of an interstage transformer at {of}"
        yield from _named(branch, name, branch.nets("winding")[0], text, 0.9)
    elif "plate" in signal and signal <= {"plate", "cathode", "screen"}:
        yield from _plate_shunt(branch, facts)
    elif "screen" in signal and signal <= {"screen", "cathode"}:
        yield from _screen_shunt(branch)
    elif signal == {"cathode"} and set(branch.nets("cathode")) & feedback_nets(facts):
        text = "takes feedback at {of} to ground, more of it at some frequencies"
        yield from _named(branch, RoleName.FEEDBACK_SHUNT, branch.nets("cathode")[0], text, 0.9)
    elif signal == {"cathode"}:
        yield from _cathode_shunt(branch)
    elif "grid" in signal and signal <= {"grid", "cathode"}:
        yield from _grid_shunt(branch)
    elif signal == {"input"} and kinds <= {"input", "ground"}:
        yield from _named(branch, RoleName.INPUT_LOAD, branch.ends[0], "loads the input", 1.0)
    elif not signal and "rail" in kinds and branch.has("diode"):
        yield from _regulator(branch, branch.nets("rail")[0])
    elif not signal and "rail" in kinds:
        name = RoleName.DECOUPLING_CAPACITOR if branch.has("capacitor") else RoleName.BLEEDER
        yield from _named(branch, name, branch.nets("rail")[0], "hangs on the rail {of}", 0.9)
    elif not signal and "bias" in kinds:
        name = RoleName.BIAS_FILTER_CAPACITOR if branch.has("capacitor") else RoleName.BIAS_DIVIDER
        yield from _named(branch, name, branch.nets("bias")[0], "hangs on the net {of}", 0.8)


def _regulator(branch: Branch, rail: str) -> Iterator[Role]:
    """Yield the roles of zener diodes (or gas tubes) in a row, and what is with them."""
    for part in branch.parts:
        if part.kind == "diode":
            why = f"holds the rail {rail} at its own voltage"
            yield Role(part.ref, RoleName.REGULATOR_DIODE, rail, why, 0.9)
        elif part.kind == "capacitor":
            yield Role(
                part.ref, RoleName.DECOUPLING_CAPACITOR, rail, f"steadies the rail {rail}", 0.9
            )
        else:
            yield Role(
                part.ref, RoleName.BLEEDER, rail, f"in the path that holds the rail {rail}", 0.9
            )


def _plate_shunt(branch: Branch, facts: Facts) -> Iterator[Role]:
    kinds = branch.kinds()
    tube = branch.owners("plate")[0]
    resistor = branch.only == "resistor"
    if resistor and kinds == {"plate", "cathode"} and _stacked(branch, facts):
        upper = branch.owners("cathode")[0]
        why = f"carries the cathode current of {upper} to the tube below it"
        yield Role(branch.parts[0].ref, RoleName.CATHODE_RESISTOR, upper, why)
    elif resistor and kinds == {"plate"} and len(branch.owners("plate")) == 1:
        text = "brings the signal of the plate of {of} to its coupling capacitor"
        yield from _named(branch, RoleName.INTERSTAGE_RESISTOR, tube, text, 0.9)
    else:
        text = "shapes the response at the plate of {of}"
        for each in branch.owners("plate"):
            yield from _named(branch, RoleName.PLATE_SHUNT, each, text, 0.8)


def _screen_shunt(branch: Branch) -> Iterator[Role]:
    tube = branch.owners("screen")[0]
    if branch.only == "resistor":
        yield from _named(branch, RoleName.BLEEDER, tube, "divides the screen's feed of {of}", 1.0)
    else:
        text = "holds the screen of {of} steady"
        yield from _named(branch, RoleName.SCREEN_BYPASS_CAPACITOR, tube, text, 1.0)


def _stacked(branch: Branch, facts: Facts) -> bool:
    plates = branch.owners("plate")
    return any(facts.plates[tube].kind == "stacked" for tube in plates)


def _named(branch: Branch, name: RoleName, of: str, text: str, sure: float) -> Iterator[Role]:
    for part in branch.parts:
        yield Role(part.ref, name, of, text.format(of=of), sure)


def _windings_of(branch: Branch, facts: Facts) -> tuple[str, ...]:
    """Return the windings a branch lies across; none if it is something else.

    All its ends must be at one transformer's plate windings, on supply nets, or
    (capacitance from winding to winding) at its load winding.
    """
    signal = [net for net in branch.ends if branch.labels[net][0] not in QUIET]
    for transformer in facts.transformers:
        primary = (
            transformer.primary_nets
            | {net for ref in transformer.primaries for net in transformer.windings[ref].inner}
            | {net for tube in transformer.paths for net in facts.plates[tube].nets}
        )
        if signal and any(net in primary for net in signal):
            around = primary | transformer.secondary_nets
            screens = {facts.screens[t].net for t in transformer.paths if t in facts.screens}
            if all(net in around | screens for net in signal):
                touched = [
                    ref
                    for ref in transformer.windings
                    if {*transformer.windings[ref].ends, *transformer.windings[ref].inner}
                    & set(signal)
                    and ref in transformer.primaries
                ]
                return tuple(touched or transformer.windings)
    return ()


def _winding_shunt(branch: Branch, winding: str) -> Iterator[Role]:
    ends = " and ".join(branch.ends)
    if branch.only == "capacitor":
        why = f"capacitor across the plate winding, between {ends}"
        yield Role(branch.parts[0].ref, RoleName.WINDING_CAPACITANCE, winding, why, 0.9)
        return
    for part in branch.parts:
        why = f"in a lossy branch across the plate winding, between {ends}"
        yield Role(part.ref, RoleName.WINDING_LOSS, winding, why, 0.9)


def _cathode_shunt(branch: Branch) -> Iterator[Role]:
    tube = branch.owners("cathode")[0]
    if branch.only == "resistor":
        why = f"joins the cathode of {tube} to {branch.ends[-1]}"
        yield Role(branch.parts[0].ref, RoleName.CATHODE_RESISTOR, tube, why, 0.7)
    elif branch.only == "diode":
        yield Role(
            branch.parts[0].ref, RoleName.CATHODE_DIODE, tube, f"at the cathode of {tube}", 0.8
        )
    elif branch.has("capacitor"):
        yield from _named(
            branch,
            RoleName.CATHODE_BYPASS_CAPACITOR,
            tube,
            "bypasses the cathode of {of} for signal",
            0.8,
        )


def _grid_shunt(branch: Branch) -> Iterator[Role]:
    tube = branch.owners("grid")[0]
    if branch.has("diode"):
        yield from _named(branch, RoleName.PROTECTION_DIODE, tube, "clamps the grid of {of}", 0.8)
    elif branch.has("capacitor"):
        yield from _named(
            branch, RoleName.GRID_SHUNT_CAPACITOR, tube, "shunts the grid of {of} for signal", 0.8
        )
