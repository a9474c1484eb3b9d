"""Did you mean: the nearest known name for a mistyped one."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Return a hint such as ``did you mean `power`?``, or an empty string."""
    by_lower = {candidate.lower(): candidate for candidate in known}
    near = get_close_matches(name.lower()[:64], by_lower, n=1, cutoff=0.6)
    return f"did you mean `{by_lower[near[0]]}`?" if near else ""


def listed(names: Iterable[str], most: int = 12) -> str:
    """Return names for a sentence, shortened where there are many."""
    every = sorted(names)
    shown = ", ".join(every[:most])
    return f"{shown} and {len(every) - most} more" if len(every) > most else shown
