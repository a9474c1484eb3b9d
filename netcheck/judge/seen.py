"""Whether a fault shows at idle, under drive, or in both.

Comes in: the verdict under each condition.  Goes out: one word.  What shows at idle is
found with a meter and no signal; what shows only under drive passes every such check, and what
only overdrive shows is a test with a sine that no music is.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from netcheck.conditions import COLD_START, DRIVEN, IDLE, OVERDRIVE, kind_beyond_use
from netcheck.judge.base import Verdict

Seen = Literal["idle", "driven", "both", "overdrive", "cold_start", "nowhere"]


def seen_under(verdicts: Mapping[str, Verdict]) -> Seen:
    """Return where a fault puts a part at or over a limit.

    `driven`: in use with a signal; `overdrive`: only in a test beyond use; `cold_start`:
    only while the tubes are cold; `nowhere`: under no condition that was solved.  Without
    driven conditions, `idle` says nothing of drive.
    """
    kinds = {
        kind_beyond_use(name)
        for name, verdict in verdicts.items()
        if verdict in ("over_limit", "at_limit")
    }
    if {IDLE, DRIVEN} <= kinds:
        return "both"
    for kind in (IDLE, DRIVEN, COLD_START, OVERDRIVE):
        if kind in kinds:
            return kind
    return "nowhere"
