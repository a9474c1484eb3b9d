"""How much a netlist may ask for before it is refused.

A netlist comes from a stranger as often as from the user's own bench; a few lines
of nested subcircuits can ask for a billion parts.  Each limit is far above any
amplifier, and the message that refuses names the limit and the option that raises it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """Upper bounds, all inclusive.

    `file_bytes` is the sum over the netlist and what it includes; `expression_depth`
    counts nested operations; `parameter_depth` counts parameters that lean on one
    another; `errors` is how many mistakes are shown in one run.
    """

    file_bytes: int = 2_000_000
    lines: int = 50_000
    card_characters: int = 20_000
    parts: int = 20_000
    subcircuit_depth: int = 20
    include_depth: int = 10
    expression_depth: int = 120
    parameter_depth: int = 40
    errors: int = 20


DEFAULT_LIMITS = ReadLimits()


def raised_by(name: str, value: int) -> str:
    """Return the hint that tells how to raise a limit."""
    return f"`--limit {name}={2 * value}` allows more"
