"""Where the probes go: socket pins by number, and the ends of parts.

Comes in: a circuit.  Goes out: words.  Pin numbers are those of the tube's data file.
Of a twin tube whose netlist does not say which section is which, both numbers are
given.
"""

from __future__ import annotations

from netcheck.circuit.model import GROUND, Circuit, Part

CHASSIS = "chassis (ground)"
_FIRST = ("capacitor", "resistor", "inductor", "voltage_source")


def pin_words(tube: Part, electrode: str) -> str:
    """Return a socket pin: `V1 12AX7 pin 7 (grid of X1)`."""
    bulb = tube.note.envelope or tube.ref
    kind = f" {tube.tube.name}" if tube.tube else ""
    number = _numbers(tube, electrode)
    where = f"pin {number}" if number else electrode
    own = electrode if bulb == tube.ref else f"{electrode} of {tube.ref}"
    return f"{bulb}{kind} {where} ({own})" if number else f"{bulb}{kind} {own}"


def _numbers(tube: Part, electrode: str) -> str:
    if tube.tube is None:
        return ""
    sections = tube.tube.sections
    chosen = [one for one in sections if one.name == tube.section] or list(sections)
    numbers = dict.fromkeys(str(one.pins[electrode]) for one in chosen if electrode in one.pins)
    return " or ".join(numbers)


def end_words(part: Part, net: str) -> str:
    """Return the end of a part: `C20 (net ht)`."""
    return f"{part.ref} (net {net})"


def net_words(circuit: Circuit, net: str) -> str:
    """Return where a net can be touched, at a capacitor if there is one."""
    if net == GROUND:
        return CHASSIS
    on = circuit.parts_on.get(net, ())
    for kind in _FIRST:
        for part in on:
            if part.kind == kind and not part.added:
                return end_words(part, net)
    return f"net {net}"
