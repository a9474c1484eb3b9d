"""What the blind trials have shown, as a table; run by hand it tries all circuits.

python -m tests.diagnose.trial_report circuits/*.cir > tests/diagnose/TRIALS.md
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from tests.diagnose.trials import Results, Trial, run

BINS = ((0.0, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.0))
SMALL = 10
TITLE = """# Blind trials of the diagnosis

Made by `python -m tests.diagnose.trial_report circuits/*.cir`; how a trial goes is written in
`trials.py`.  Wanted: first place or its group 80 %, among three 95 %, at most three more
readings (median), right in 70 to 90 % of what is called 80 %, and none of these in 70 %
of units whose family of faults was left out.  A first group may be large: many faults move
none of the five points that are read first, and stand together with no fault.
"""


def share(flags: Sequence[bool]) -> float:
    """Return the share that is true."""
    return sum(flags) / len(flags) if flags else float("nan")


def calibration(trials: Sequence[Trial]) -> list[tuple[float, float, int, float, float]]:
    """Return (from, to, trials, mean called, share right) by bin."""
    rows = []
    for low, high in BINS:
        chosen = [one for one in trials if low <= one.called < high or one.called == high == 1.0]
        if chosen:
            called = float(np.mean([one.called for one in chosen]))
            rows.append((low, high, len(chosen), called, share([one.in_group for one in chosen])))
    return rows


def report(results: Results) -> Iterator[str]:
    """Yield the lines of one circuit."""
    trials = results.trials
    yield f"## {results.circuit}: {len(trials)} trials"
    if results.unread:
        yield f"- {results.unread} units more have no operating point"
    yield f"- first place or its ambiguity group: {share([one.in_group for one in trials]):.1%}"
    yield f"- among the first three: {share([one.in_three for one in trials]):.1%}"
    sizes = np.percentile([one.group_size for one in trials], (25, 50, 75))
    yield f"- causes in the first group: quartiles {', '.join(f'{one:.0f}' for one in sizes)}"
    small = [one.in_group for one in trials if one.group_size <= SMALL]
    right = f"right in {share(small):.1%}"
    yield f"- first groups of up to {SMALL} causes ({len(small)} trials): {right}"
    yield f"- more readings until a group stands out: {_counts([t.asked for t in trials])}"
    yield f"- more readings until nothing more is asked: {_counts([t.settled for t in trials])}"
    yield f"- true cause in the first group then: {share([one.right for one in trials]):.1%}"
    for low, high, count, called, found in calibration(trials):
        span = f"{low:.0%} to {high:.0%}"
        yield f"- called {span} ({count} trials): {called:.0%} on average, right {found:.0%}"
    none = [one.first == "none" for one in results.unknown]
    if none:
        yield f"- family left out: none of these in {share(none):.0%} of {len(none)}"
    for lost in results.unknown:
        if lost.first != "none":
            yield f"  - {lost.fault}: called {lost.first}, none {lost.none:.0%}"
    for one in trials:
        if not one.in_group:
            further = "" if one.in_three else "; not among three"
            yield f"  - missed: {one.fault}, called {one.first}{further}"


def _counts(asked: Sequence[int | None]) -> str:
    known = [one for one in asked if one is not None]
    more = len(asked) - len(known)
    words = f"median {np.median(known):.0f}, 90 % within {np.percentile(known, 90):.0f}"
    return f"{words}; {more} not within eight" if more else words


def main() -> None:
    """Try circuits and print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("files", nargs="+", type=Path)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--cache", type=Path)
    arguments = parser.parse_args()
    cache = arguments.cache.resolve() if arguments.cache else None
    print(TITLE)
    with tempfile.TemporaryDirectory() as folder:
        for file in [one.resolve() for one in arguments.files]:
            kept, count = cache or Path(folder), arguments.trials
            print("\n".join(report(run(file, count, arguments.draws, kept, count))), flush=True)
            print()


if __name__ == "__main__":
    main()
