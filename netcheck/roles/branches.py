"""Branches between labelled nets: loads, feedback, losses and shunts.

Comes in: `Facts` and the parts that have no role yet.  Goes out: roles, and the
speaker of each transformer.  Every net that belongs to something known (ground, a
rail, an electrode, a winding) is a boundary.  What is left falls into branches: a
part between two boundaries, or parts joined over plain nets.  The kinds of boundary
a branch touches say what it is for: secondary to an early cathode is feedback,
secondary to its own other end a load (or a zobel, or a loss of the winding), plate to
plate a loss of the winding, from a grid down a shunt.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from netcheck.circuit.model import GROUND, Part, PartKind, natural_key
from netcheck.roles.base import Role
from netcheck.roles.facts import Facts
from netcheck.roles.table import RoleName

KINDS: tuple[PartKind, ...] = ("resistor", "capacitor", "inductor", "diode")
Label = tuple[str, str]
"""Kind of a boundary net and its owner."""

QUIET = frozenset({"ground", "rail", "bias"})


@dataclass(frozen=True, slots=True)
class Branch:
    """Parts without a role between labelled nets."""

    parts: tuple[Part, ...]
    ends: tuple[str, ...]
    labels: Mapping[str, Label]

    def kinds(self) -> frozenset[str]:
        """Return the kinds of boundary touched."""
        return frozenset(kind for kind, _ in self.labels.values())

    def owners(self, *kinds: str) -> tuple[str, ...]:
        """Return the owners of boundaries of some kinds, in order."""
        found = {owner for kind, owner in self.labels.values() if kind in kinds and owner}
        return tuple(sorted(found, key=natural_key))

    def nets(self, *kinds: str) -> tuple[str, ...]:
        """Return the boundary nets of some kinds."""
        return tuple(net for net in self.ends if self.labels[net][0] in kinds)

    @property
    def only(self) -> str:
        """Kind of the part where the branch is one part, else empty."""
        return self.parts[0].kind if len(self.parts) == 1 else ""

    @property
    def ohm(self) -> float:
        """Sum of the resistors [ohm]."""
        return sum(part.value or 0.0 for part in self.parts if part.kind == "resistor")

    def has(self, kind: str) -> bool:
        """Say whether a part of some kind is in the branch."""
        return any(part.kind == kind for part in self.parts)


def net_labels(facts: Facts) -> Mapping[str, Label]:
    """Label every net that belongs to something known; the first label counts."""
    labels: dict[str, Label] = {GROUND: ("ground", "")}

    def put(net: str, kind: str, owner: str) -> None:
        labels.setdefault(net, (kind, owner))

    for net in facts.supply.positive:
        put(net, "rail", net)
    for net in facts.supply.negative:
        put(net, "bias", net)
    for index, transformer in enumerate(facts.transformers):
        for net in transformer.secondary_nets if transformer.use == "output" else ():
            put(net, "secondary", str(index))
    for net, tube in facts.around.plates.items():
        put(net, "plate", tube)
    for index, transformer in enumerate(facts.transformers):
        for net in transformer.nets:
            put(net, "winding", str(index))
    for net, tubes in facts.around.cathodes.items():
        put(net, "cathode", tubes[0])
    for tube, screen in facts.screens.items():
        put(screen.net, "screen", tube)
    for tube, grid in facts.grids.items():
        for net in grid.nets:
            put(net, "grid", tube)
    for net in facts.wiring.input_nets:
        put(net, "input", "")
    return labels


def find_branches(facts: Facts, taken: Collection[str]) -> list[Branch]:
    """Return the branches of all two-pin parts without a role."""
    labels = net_labels(facts)
    branches: list[Branch] = []
    seen: set[str] = set(taken)
    for part in facts.wiring.circuit.of_kind(*KINDS):
        if part.ref in seen or len(set(part.nets)) == 1:
            continue
        parts: dict[str, Part] = {}
        queue = [part]
        while queue:
            member = queue.pop()
            if member.ref in parts:
                continue
            parts[member.ref] = member
            for net in member.nets:
                if net not in labels:
                    queue += [p for p in facts.wiring.on(net, *KINDS) if p.ref not in seen]
        seen.update(parts)
        ends = dict.fromkeys(net for p in parts.values() for net in p.nets if net in labels)
        members = tuple(sorted(parts.values(), key=lambda p: natural_key(p.ref)))
        branches.append(Branch(members, tuple(ends), {net: labels[net] for net in ends}))
    return branches


def feedback_nets(facts: Facts) -> frozenset[str]:
    """Return the nets that a resistor joins to a load winding."""
    secondary = {
        net
        for transformer in facts.transformers
        if transformer.use == "output"
        for net in transformer.secondary_nets
    }
    return frozenset(
        part.other_net(net)
        for net in secondary
        for part in facts.wiring.on(net, "resistor")
        if part.other_net(net) not in secondary and not facts.supply.quiet(part.other_net(net))
    )


def feedback_roles(branch: Branch, facts: Facts) -> Iterator[Role]:
    """Yield feedback roles of a branch from an output back to an earlier electrode."""
    kinds = branch.kinds()
    if "secondary" in kinds and kinds & {"cathode", "grid", "screen", "plate", "input"}:
        receivers = branch.owners("cathode", "grid", "screen", "plate")
        goals = branch.nets("cathode", "grid", "screen", "plate", "input")
        source = branch.nets("secondary")[0]
        origin = "the load winding"
    else:
        found = _local_loop(branch, facts)
        if found is None:
            return
        origin, source, receivers, goals = found
    # Into a tail the feedback reaches all tubes on it.
    tubes = facts.around.cathodes.get(goals[0], ()) if receivers else ()
    for part in branch.parts:
        name = (
            RoleName.FEEDBACK_CAPACITOR if part.kind == "capacitor" else RoleName.FEEDBACK_RESISTOR
        )
        for tube in tubes or receivers[:1] or ("",):
            to = f"the {branch.labels[goals[0]][0]} of {tube}" if tube else "the input"
            yield Role(
                part.ref, name, tube, f"leads from {origin} back to {to}", 1.0, source, goals[0]
            )


def _local_loop(
    branch: Branch, facts: Facts
) -> tuple[str, str, tuple[str, ...], tuple[str, ...]] | None:
    """Return origin and goal of a branch from a tube's plate to an earlier tube."""
    drives = {(drive.source, drive.target) for drive in facts.couplings.drives}
    for source in branch.nets("plate", "cathode"):
        later = branch.labels[source][1]
        for goal in branch.nets("plate", "cathode", "grid", "screen"):
            earlier = branch.labels[goal][1]
            stacked = facts.plates[earlier].kind == "stacked" and len(branch.parts) == 1
            if earlier == later or goal == source or stacked:
                continue
            if (earlier, later) in drives or _drives_through(drives, earlier, later):
                origin = f"the {branch.labels[source][0]} of {later}"
                return origin, source, (earlier,), (goal,)
    return None


def _drives_through(drives: set[tuple[str, str]], first: str, last: str) -> bool:
    middle = {target for source, target in drives if source == first}
    return any((tube, last) in drives for tube in middle)


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
    elif branch.only == "diode":
        text = "holds the screen of {of} at its own voltage"
        yield from _named(branch, RoleName.REGULATOR_DIODE, tube, text, 0.9)
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
