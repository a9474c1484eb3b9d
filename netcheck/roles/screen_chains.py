"""Screen feeds with all they come through, from the screen back to the supply.

Comes in: `Facts`.  Goes out: a `ScreenSupply` for every tube with a screen.
"""

from __future__ import annotations

from netcheck.roles.base import ScreenSupply
from netcheck.roles.facts import Facts


def screen_chains(facts: Facts) -> tuple[ScreenSupply, ...]:
    """Return what each screen's current comes through."""
    users: dict[str, int] = {}
    for screen in facts.screens.values():
        for ref in screen.parts:
            users[ref] = users.get(ref, 0) + 1
    return tuple(
        ScreenSupply(
            tube,
            screen.kind,
            screen.source,
            screen.parts,
            tuple(ref for ref in screen.parts if users[ref] > 1),
            _droppers(facts, screen.source),
            _bypass(facts, screen.net),
        )
        for tube, screen in facts.screens.items()
    )


def _droppers(facts: Facts, net: str) -> tuple[str, ...]:
    """Return the parts from a rail back to where its supply begins."""
    before: dict[str, tuple[str, str]] = {}
    for ref, (near, far) in facts.supply.droppers.items():
        before.setdefault(far, (ref, near))
    found: list[str] = []
    while net in before and before[net][0] not in found:
        ref, net = before[net]
        found.append(ref)
    return tuple(found)


def _bypass(facts: Facts, net: str) -> tuple[str, ...]:
    if facts.supply.quiet(net):
        return ()
    return tuple(part.ref for part in facts.wiring.on(net, "capacitor"))
