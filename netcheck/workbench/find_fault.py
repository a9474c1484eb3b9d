"""Which continuous fault a user means by a part and a kind.

Comes in: the words of the command line and the faults that can be swept.  Goes out:
the one that is meant, or an error that says what can be swept.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

from netcheck.circuit.model import Circuit, natural_key
from netcheck.errors import NetcheckError
from netcheck.faults.base import ContinuousFault


def find_continuous(
    circuit: Circuit, faults: Sequence[ContinuousFault], part: str, kind: str
) -> ContinuousFault:
    """Return the fault of this part and kind; letter case does not matter.

    part: a ref, or several joined by `+` as in fault ids.
    """
    wanted = part.casefold()
    of_part = [
        fault
        for fault in faults
        if wanted == "+".join(fault.parts).casefold()
        or wanted in (ref.casefold() for ref in fault.parts)
    ]
    if not of_part:
        raise _no_part(circuit, faults, part)
    found = [fault for fault in of_part if fault.kind.casefold() == kind.casefold()]
    if not found:
        kinds = sorted({fault.kind for fault in of_part})
        close = difflib.get_close_matches(kind.casefold(), kinds, n=1)
        lead = f"did you mean {close[0]}? " if close else ""
        raise NetcheckError(
            f"{part} has no fault `{kind}` that can be swept",
            hint=f"{lead}{part} can be swept for: {', '.join(kinds)}",
        )
    exact = [fault for fault in found if wanted == "+".join(fault.parts).casefold()]
    if len(exact or found) > 1:
        ids = ", ".join(fault.id for fault in found)
        raise NetcheckError(
            f"{part} {kind} is not one fault: {ids}", hint="give all parts, joined by +"
        )
    return (exact or found)[0]


def sweep_sizes(fault: ContinuousFault, points: int, others: Iterable[float]) -> list[float]:
    """Return sizes from nearly healthy to the worst, with `others` in their place."""
    start, end = fault.from_value, fault.to_value
    shares = [step / (points - 1) for step in range(1, points - 1)]
    if fault.logarithmic:
        inner = [start * (end / start) ** share for share in shares]
    else:
        inner = [start + (end - start) * share for share in shares]
    sizes = dict.fromkeys([start, *inner, end, *others])
    return sorted(sizes, reverse=end < start)


def _no_part(circuit: Circuit, faults: Sequence[ContinuousFault], part: str) -> NetcheckError:
    sweepable = sorted({"+".join(fault.parts) for fault in faults}, key=natural_key)
    if not sweepable:
        return NetcheckError("no part of this circuit has a fault that can be swept")
    refs = {ref.casefold(): ref for ref in circuit.parts}
    there = part.casefold() in refs
    close = difflib.get_close_matches(part.casefold(), sorted(refs), n=1)
    lead = f"did you mean {refs[close[0]]}? " if close and not there else ""
    message = (
        f"{refs[part.casefold()]} has no fault with a size that can be swept"
        if there
        else f"there is no part {part} in this circuit"
    )
    return NetcheckError(message, hint=f"{lead}these can be swept: {', '.join(sweepable)}")
