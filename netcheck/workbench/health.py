"""Is there a healthy circuit to compare faults with?

Comes in: the solved idle state and the roles.  Goes out: nothing, or an error
that says in one sentence why the question cannot be answered: the healthy circuit
does not solve, or none of its tubes conducts, so that every fault would look
harmless.  What was noticed about the netlist before comes with it: a lost part or
a wrong order of pins is the usual reason.
"""

from __future__ import annotations

from netcheck.circuit.checks import check_circuit
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
            hint=_with_findings(circuit, "look for a part with an absurd value"),
        )
    outputs = roles.output_tubes
    amplifying = tuple(part.ref for part in circuit.tubes if part.has_pin("grid"))
    tubes = outputs or amplifying or tuple(part.ref for part in circuit.tubes)
    if any(idle.tubes[ref].plate_current_a > CONDUCTS_A for ref in tubes):
        return idle
    named = ", ".join(tubes)
    what = "no output tube conducts" if outputs else "no tube conducts"
    raise UnanswerableError(
        f"{what} in the healthy circuit ({named}): every fault would look harmless",
        hint=_with_findings(circuit, _why_nothing_conducts(circuit, tubes, idle)),
    )


def _with_findings(circuit: Circuit, hint: str) -> str:
    """Return the hint and, below it, the warnings that an audit would have shown."""
    warnings = [
        f"{finding.level}: {f'{finding.span}: ' if finding.span else ''}{finding.message}"
        for finding in (*circuit.findings, *check_circuit(circuit))
        if finding.level != "note"
    ]
    return "\n".join((hint, *warnings))


def _why_nothing_conducts(circuit: Circuit, tubes: tuple[str, ...], idle: Solved) -> str:
    if not tubes:
        return "a tube is an X card: X1 plate grid cathode 12AX7"
    state = idle.tubes[tubes[0]]
    plate = f"{round(state.plate_v, 1) + 0.0:.1f} V"
    if state.plate_v < 1.0:
        sources = circuit.of_kind("voltage_source")
        waves = [part.element.waveform for part in sources if part.element]
        if any(wave is not None and wave.alternating for wave in waves):
            return (
                f"the plate of {tubes[0]} is at {plate}: a supply fed through "
                "rectifiers from an AC source has no DC operating point; replace the rectifier "
                "by a DC source with its source resistance"
            )
        return f"the plate of {tubes[0]} is at {plate}: is the B+ source there?"
    bias = state.grid_v - state.cathode_v
    return (
        f"{tubes[0]} has {state.plate_v:.0f} V on its plate and {bias:.1f} V from grid to "
        "cathode: look at the bias, and at the order of the pins on its X card"
    )
