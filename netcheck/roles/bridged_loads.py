"""Loads between the load windings of two output transformers.

Comes in: the branches that are left.  Goes out: their roles, and the load of each
transformer they join.  Two amplifiers that drive one load in opposite phase are
bridged: the load sees the sum of their voltages, and each sees half of the load.
"""

from __future__ import annotations

from netcheck.roles.base import Role
from netcheck.roles.feedback import Branch

BRIDGE = 2


def bridged_loads(branches: list[Branch], placed: set[str]) -> tuple[list[Role], dict[int, str]]:
    """Return the roles of loads between load windings, and the speakers by transformer."""
    across = [
        branch
        for branch in branches
        if branch.kinds() == {"secondary"}
        and len(branch.owners("secondary")) == BRIDGE
        and branch.has("resistor")
        and not placed & {part.ref for part in branch.parts}
    ]
    roles: list[Role] = []
    speakers: dict[int, str] = {}
    noted = [b for b in across if any(part.note.is_speaker for part in b.parts)]
    load = min(noted or across, key=lambda branch: branch.ohm, default=None)
    for branch in across:
        net = branch.nets("secondary")[0]
        for part in branch.parts:
            if branch is load:
                why = "load between the load windings of two transformers"
                roles.append(Role(part.ref, "speaker_load", net, why))
            elif branch.has("capacitor"):
                why = "resistor and capacitor in series across the bridged load"
                roles.append(Role(part.ref, "zobel", net, why, 0.9))
            else:
                why = "across the bridged load windings beside the load"
                roles.append(Role(part.ref, "winding_loss", net, why, 0.8))
    if load is not None:
        resistors = [part for part in load.parts if part.kind == "resistor"]
        marked = [part for part in load.parts if part.note.is_speaker]
        speaker = (marked or resistors)[0].ref
        speakers = {int(index): speaker for index in load.owners("secondary")}
    return roles, speakers
