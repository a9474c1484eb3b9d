"""The `.model` cards of diodes and transistors, as ngspice takes them.

Comes in: a model as the netlist defines it.  Goes out: its kind and parameters as
text.  Only kinds and parameters known here are passed on: what a netlist writes
never reaches the engine unread.  Names are those of ngspice's own models.
"""

from __future__ import annotations

from netcheck.netlist.flat import DeviceModel

DIODE_PARAMETERS = frozenset("is n rs cjo vj m tt bv ibv eg xti fc".split())
TRANSISTOR_PARAMETERS = frozenset(
    "is bf br nf nr vaf var ikf ikr ise ne isc nc rb re rc cje cjc vje vjc mje mjc tf tr"
    " vto kp gamma phi lambda beta rd rs cgs cgd pb l w tox level".split()
)
KINDS = frozenset({"d", "npn", "pnp", "njf", "pjf", "nmos", "pmos"})


def device_text(model: DeviceModel, *, diode: bool) -> str | None:
    """Return `kind (parameter=value ...)`; None for a kind that is not read."""
    if model.kind not in KINDS:
        return None
    allowed = DIODE_PARAMETERS if diode else TRANSISTOR_PARAMETERS
    words = " ".join(
        f"{word.lower()}={value:.9g}"
        for word, value in sorted(model.parameters.items())
        if word.lower() in allowed
    )
    return f"{model.kind} ({words})"
