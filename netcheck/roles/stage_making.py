"""The making of a `Stage`: its name, its screens, its bias, its evidence.

Comes in: `Facts`, the tubes and the kind that was recognised.  Goes out: a `Stage`
that also says how the screens are connected and how the tubes are biased, each with
its evidence; the confidence is that of the least certain of these.
"""

from __future__ import annotations

from netcheck.circuit.model import GROUND, natural_key
from netcheck.roles.base import Alternative, Stage
from netcheck.roles.bias_kind import bias_of
from netcheck.roles.facts import Facts


def stage_id(kind: str, tubes: tuple[str, ...]) -> str:
    """Return the stable name of a stage."""
    return f"{kind}({','.join(tubes)})"


def make_stage(
    facts: Facts,
    kind: str,
    tubes: tuple[str, ...],
    evidence: tuple[str, ...],
    confidence: float = 1.0,
    form: str = "",
    alternatives: tuple[Alternative, ...] = (),
    biased_by: tuple[str, ...] = (),
) -> Stage:
    """Return a stage; `biased_by` are the tubes whose bias sets that of all."""
    tubes = tuple(sorted(tubes, key=natural_key))
    connection, certain, screen_evidence = connection_of(facts, tubes)
    bias, bias_evidence, bias_certain = bias_of(facts, biased_by or tubes, kind)
    return Stage(
        stage_id(kind, tubes),
        kind,
        tubes,
        connection,
        bias,
        (*evidence, *screen_evidence, *bias_evidence),
        min(confidence, certain, bias_certain),
        form,
        alternatives=alternatives,
    )


def connection_of(facts: Facts, tubes: tuple[str, ...]) -> tuple[str, float, tuple[str, ...]]:
    """Return how the screens are connected, how sure that is, and why."""
    kinds = {"plate": "triode", "tap": "ultralinear"}
    found: list[str] = []
    evidence: list[str] = []
    for tube in tubes:
        screen = facts.screens.get(tube)
        kind = "triode" if screen is None else kinds.get(screen.kind, "pentode")
        if kind not in found:
            found.append(kind)
            if screen is not None:
                evidence.append(_screen_evidence(tube, screen.kind, screen.parts, screen.source))
    if len(found) > 1:
        evidence.append("the tubes are not connected alike")
    return found[0], 1.0 if len(found) == 1 else 0.5, tuple(evidence)


def _screen_evidence(tube: str, kind: str, parts: tuple[str, ...], source: str) -> str:
    through = f" through {' and '.join(parts)}" if parts else ""
    ends = {
        "plate": f"the screen of {tube} is tied to its plate",
        "tap": f"the screen of {tube} is fed from a tap of the plate winding",
        "rail": f"the screen of {tube} is on {'ground' if source == GROUND else 'B+'}",
        "resistor": f"the screen of {tube} is fed from B+",
    }
    return ends.get(kind, f"nothing feeds the screen of {tube}") + through


def named_net(net: str) -> str:
    """Return a net as a text says it."""
    return "ground" if net == GROUND else net


def gives_signal(facts: Facts, tube: str, electrode: str, inside: tuple[str, ...]) -> bool:
    """Say whether an electrode drives something outside of a group of tubes."""
    if any(drive.target not in inside for drive in facts.couplings.out_of(tube, electrode)):
        return True
    return any(not network.grids for network in facts.couplings.networks_at(tube, electrode))
