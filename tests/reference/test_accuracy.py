"""Every row of every type against its law, and the table of it all.

The bars are those of `netcheck/tubes/accuracy.py`.  A figure that is further off is an
expected failure: the ones listed in `ACCURACY.md`, and no others.
"""

from __future__ import annotations

import re
from typing import Any

import pytest

from netcheck.tubes.accuracy import Accuracy, Checked, accuracy_of
from netcheck.tubes.fit import compare
from netcheck.tubes.library import load_library
from netcheck.tubes.types import TubeType
from tests.reference import accuracy_table, stages, test_tube_rows
from tests.reference.accuracy_table import FILE, check_id
from tests.reference.stages import Stages

MISSES = accuracy_table.listed_misses()
LEAST_TO_HOLD_OUT = 3
POINTS = 0.5
"""Percentage points by which a deviation may differ: another ngspice rounds otherwise."""


def _types() -> list[tuple[TubeType, Accuracy]]:
    """Each law once, under its own type: one based on another adds nothing."""
    found: list[tuple[TubeType, Accuracy]] = []
    library = load_library()
    based = {name: "\nbased_on = " in library.texts[f"{name}.toml"] for name in library.names}
    types = sorted(library.all_types(), key=lambda tube: (based[tube.name], tube.name))
    for tube in (section for each in types for section in each.unlike_sections):
        alike = any(
            (other.operation, other.model) == (tube.operation, tube.model) for other, _ in found
        )
        if tube.operation and not alike:
            found.append((tube, accuracy_of(tube)))
    return found


TYPES = _types()


def _cases() -> list[Any]:
    return [
        pytest.param(
            each,
            id=check_id(each),
            marks=[pytest.mark.xfail(reason=MISSES[check_id(each)])]
            if check_id(each) in MISSES
            else [],
        )
        for _, accuracy in TYPES
        for each in accuracy.checked
    ]


@pytest.mark.parametrize("each", _cases())
def test_law_meets_the_row(each: Checked) -> None:
    assert not each.misses, f"{each.model:.4g} for {each.published:.4g}"


@pytest.mark.parametrize(("tube", "accuracy"), TYPES, ids=lambda v: getattr(v, "name", ""))
def test_what_is_held_out_is_said(tube: TubeType, accuracy: Accuracy) -> None:
    published = [n for n, row in enumerate(tube.operation) if row.basis == "published"]
    status = {each.number: each.status for each in accuracy.checked}

    if len(published) < LEAST_TO_HOLD_OUT:
        assert accuracy.held_out == frozenset()
        assert re.search(rf"^\| {tube.name} \| \d+ \| nothing held out", FILE.read_text(), re.M)
    else:
        assert accuracy.held_out == set(published[2::3])
    assert {n for n, word in status.items() if word == "held out"} == accuracy.held_out


def test_the_table_is_what_the_program_gives(solved_stages: Stages, remake_golden: bool) -> None:
    solved = [(figure, solved_stages.found(figure)) for figure in stages.all_figures()]
    now = accuracy_table.render(TYPES, _missed_apart(), solved)
    if remake_golden:
        FILE.write_text(now, encoding="utf-8")

    assert _differing(FILE.read_text(encoding="utf-8"), now) == []


def _missed_apart() -> list[tuple[str, Checked, float]]:
    """Return the known misses of the rows that are written apart from the data files."""
    found = []
    for row in test_tube_rows.ROWS:
        for figure in row.get("known_miss", {}):
            point = test_tube_rows._operation_row(row, figure)
            law = test_tube_rows._type(row).law
            (each,) = (c for c in compare(law, [point]) if c.figure == figure)
            bias = f"{row['grid_v']}V" if "grid_v" in row else f"{row['cathode_ohm']}ohm"
            screen = f"/{row['screen_v']}" if "screen_v" in row else ""
            name = f"{row['tube']}-{row['plate_v']}{screen}-{bias}-{figure}"
            checked = Checked(row["tube"], 0, point, figure, each.published, each.model, "fitted")
            found.append((name, checked, test_tube_rows._tolerance(row, figure)))
    return found


def _differing(old: str, new: str) -> list[str]:
    pairs = list(zip(old.splitlines(), new.splitlines(), strict=False))
    found = [f"{a}\n{b}" for a, b in pairs if not _alike(a, b)]
    if len(old.splitlines()) != len(new.splitlines()):
        found.append(f"{len(old.splitlines())} lines are now {len(new.splitlines())}")
    return found


def _alike(old: str, new: str) -> bool:
    """Compare two lines; percentages may differ by half a point, other numbers by 1 %."""
    number = r"[+-]?\d+(?:\.\d+)?"
    if re.split(number, old) != re.split(number, new):
        return False
    return all(
        abs(float(a) - float(b)) <= max(POINTS, 0.01 * abs(float(a)))
        for a, b in zip(re.findall(number, old), re.findall(number, new), strict=True)
    )
