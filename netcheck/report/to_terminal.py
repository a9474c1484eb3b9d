"""The readable report, for the bench.

Comes in: an `Audit` and a rich console.  Goes out: text, in the order in which a
technician asks: is it healthy, what is it, what should the meter show, what
could kill me, which fault does the harm, what do I measure, what was assumed.

Color only repeats what the words say.  Numbers are rounded here and nowhere before.
"""

from __future__ import annotations

from rich.console import Console

from netcheck.models.audit import Audit
from netcheck.report.console import plain_text
from netcheck.report.terminal import (
    closing,
    effects,
    feedback,
    healthy,
    opening,
    pairs,
    ranking,
    tipping,
    tolerance,
    unstable,
)

FILE_WIDTH = 100
"""Width of a report that is written to a file."""


def write(audit: Audit, console: Console, *, show_all: bool = False) -> None:
    """Write the whole report; `show_all` shows every row of every table."""
    opening.write_opening(console, audit)
    opening.write_recognised(console, audit)
    healthy.write_idle(console, audit)
    healthy.write_driven(console, audit, show_all)
    tolerance.write_tolerance(console, audit, show_all)
    healthy.write_cautions(console, audit)
    ranking.write_ranking(console, audit, show_all)
    ranking.write_next_steps(console, audit)
    effects.write_heat(console, audit, show_all)
    effects.write_fuses(console, audit, show_all)
    unstable.write_unstable(console, audit, show_all)
    feedback.write_feedback(console, audit, show_all)
    pairs.write_pairs(console, audit, show_all)
    ranking.write_part_view(console, audit, show_all)
    tipping.write_tipping(console, audit, show_all)
    closing.write_findings(console, audit, show_all)
    closing.write_left_out(console, audit, show_all)
    closing.write_assumptions(console, audit)


def render(audit: Audit, *, width: int = FILE_WIDTH, show_all: bool = False) -> str:
    """Return the report as plain text without trailing blanks."""
    return plain_text(lambda console: write(audit, console, show_all=show_all), width)
