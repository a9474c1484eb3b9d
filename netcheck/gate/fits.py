"""Does a rule of the policy fit a fault, and which of the loads is it about?

Comes in: the lists of patterns of a rule, and a fault or tipping point with the
roles of its parts.  Goes out: yes or no.  An empty list fits everything; patterns
are those of file names (`C*`, `X[12]`), in any case, as netlists are.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fnmatch import fnmatchcase

from netcheck.gate.policy import FaultRule, TippingRule, Victims
from netcheck.report.model import Audit
from netcheck.report.words import quantity_words

_WOUND = {"inductor"}


def matches(patterns: Sequence[str], words: Iterable[str]) -> bool:
    """Say whether any word fits any pattern; no patterns fit all."""
    if not patterns:
        return True
    folded = [word.casefold() for word in words]
    return any(fnmatchcase(word, pattern.casefold()) for pattern in patterns for word in folded)


def rule_fits(rule: FaultRule | TippingRule, kind: str, parts: Sequence[str], audit: Audit) -> bool:
    """Say whether a rule fits a fault of this kind in these parts."""
    if not matches(rule.kind, (kind,)) or not matches(rule.part, parts):
        return False
    if not rule.role:
        return True
    roles = [role.name for part in parts for role in audit.roles.of_part(part)]
    return matches(rule.role, roles)


def is_victim(victims: Victims, part: str, audit: Audit) -> bool:
    """Say whether a part is one of those a rule protects."""
    if victims == "all" or part not in audit.circuit.parts:
        return victims == "all"
    kind = audit.circuit[part].kind
    return kind == "tube" or (victims == "tubes_and_transformers" and kind in _WOUND)


def scope_words(rule: FaultRule | TippingRule) -> str:
    """Return in words whom a rule protects."""
    who = {"tubes": "a tube", "tubes_and_transformers": "a tube or transformer", "all": "a part"}
    return who[rule.victims]


def quantity_scope(rule: FaultRule | TippingRule) -> str:
    """Return in words which quantities a rule is about; nothing where it is all."""
    words = [quantity_words(each.replace("*", "").strip("_")) for each in rule.quantities]
    return f" ({', '.join(words)})" if words else ""
