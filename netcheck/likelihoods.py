"""How likely a fault is: the register of classes, the likeliest first.

Comes in: the name of a class.  Goes out: its weight and the words for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, get_args

LikelihoodClass = Literal["very_common", "common", "occasional", "rare"]
LIKELIHOOD_CLASSES: tuple[LikelihoodClass, ...] = get_args(LikelihoodClass)
LIKELIHOOD_VALUE: Mapping[LikelihoodClass, float] = dict(
    zip(LIKELIHOOD_CLASSES, (1.0, 0.3, 0.1, 0.01), strict=True)
)
"""Relative weights: only their order carries meaning unless a source gives a rate."""
LIKELIHOOD_WORDS: Mapping[LikelihoodClass, str] = {
    name: name.replace("_", " ") for name in LIKELIHOOD_CLASSES
}
