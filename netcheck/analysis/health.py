"""Is there a healthy circuit to compare faults with?

Comes in: the solved idle state and the roles.  Goes out: nothing, or an error
that says in one sentence why the question cannot be answered: the healthy circuit
does not solve, or none of its tubes conducts, so that every fault would look
harmless.
"""

from __future__ import annotations

from netcheck.circuit.model import Circuit
from netcheck.errors import UnanswerableError
from netcheck.roles.base import Roles
from netcheck.solve.results import NotSolved, Outcome, Solved

CONDUCTS_A = 20e-6
"""Less plate current than this is a tube that is cut off or unfed."""


def require_health(circuit: Circuit, roles: Roles, idle: Outcome) -> Solved:
    """Return the solved idle state; raises UnanswerableError where there is none."""
    if isinstance(idle, NotSolved):
        raise UnanswerableError(
            f"the healthy circuit does not solve: {idle.reason}",
            hint="look for two voltage sources in parallel, or a part with an absurd value",
        )
    outputs = roles.output_tubes
    tubes = outputs or tuple(part.ref for part in circuit.tubes)
    if any(idle.tubes[ref].plate_current_a > CONDUCTS_A for ref in tubes):
        return idle
    named = ", ".join(tubes)
    what = "no output tube conducts" if outputs else "no tube conducts"
    raise UnanswerableError(
        f"{what} in the healthy circuit ({named}): every fault would look harmless",
        hint=_why_nothing_conducts(circuit, tubes, idle),
    )


def _why_nothing_conducts(circuit: Circuit, tubes: tuple[str, ...], idle: Solved) -> str:
    state = idle.tubes[tubes[0]]
    if state.plate_v < 1.0:
        sources = circuit.of_kind("voltage_source")
        if any(part.element and part.element.waveform.alternating for part in sources):
            return (
                f"the plate of {tubes[0]} is at {state.plate_v:.1f} V: a supply fed through "
                "rectifiers from an AC source has no DC operating point; replace the rectifier "
                "by a DC source with its source resistance"
            )
        return f"the plate of {tubes[0]} is at {state.plate_v:.1f} V: is the B+ source there?"
    bias = state.grid_v - state.cathode_v
    return (
        f"{tubes[0]} has {state.plate_v:.0f} V on its plate and {bias:.1f} V from grid to "
        "cathode: look at the bias, and at the order of the pins on its X card"
    )
