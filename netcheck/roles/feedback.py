"""Branches between labelled nets: loads, feedback, losses and shunts.

Comes in: `Facts` and the parts that have no role yet.  Goes out: roles, and the
speaker of each transformer.  Every net that belongs to something known (ground, a
rail, an electrode, a winding) is a boundary.  What is left falls into branches: a
part between two boundaries, or parts joined over plain nets.  The kinds of boundary
a branch touches say what it is for: secondary to an early cathode is feedback,
secondary to its own other end a load, plate to plate a loss of the winding.
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
