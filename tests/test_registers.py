"""What has a register is named by it: no other module spells such a name out."""

from __future__ import annotations

import ast
from pathlib import Path

from netcheck.conditions import CONDITIONS, condition_kind, condition_of, kinds_in_order
from netcheck.quantities import QUANTITIES, quantity_of

PACKAGE = Path(__file__).resolve().parent.parent / "netcheck"
HOME = "conditions.py"
SPELLED_OUT = {
    "diagnose/": {"idle"},  # a step of the bench sheet and a situation; they have this name too
    "report/annotate_json.py": {"idle"},  # a key of the JSON
}
"""Where a name may stand nevertheless.  This list only gets shorter."""


def spelled_out(tree: ast.AST) -> set[str]:
    """Return the texts in a module, without docstrings, f-strings and `Literal` types."""
    apart: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr):
            apart.add(id(node.value))
        elif isinstance(node, ast.JoinedStr):
            apart |= {id(each) for each in node.values}
        elif isinstance(node, ast.Subscript) and getattr(node.value, "id", "") == "Literal":
            apart |= {id(each) for each in ast.walk(node)}
    return {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in apart
    }


def test_a_condition_is_spelled_out_only_in_its_register() -> None:
    names = {each.name for each in CONDITIONS}
    found: dict[str, set[str]] = {}
    for module in sorted(PACKAGE.rglob("*.py")):
        name = module.relative_to(PACKAGE).as_posix()
        place = next((each for each in SPELLED_OUT if name.startswith(each)), name)
        texts = spelled_out(ast.parse(module.read_text(encoding="utf-8"))) & names
        if texts and name != HOME:
            found[place] = found.get(place, set()) | texts

    assert found == SPELLED_OUT


def test_the_search_finds_a_name_in_code_and_not_in_prose() -> None:
    source = 'def f(x: Literal["full"]):\n    """idle"""\n    return x == "overdrive"'

    assert spelled_out(ast.parse(source)) == {"overdrive"}


def test_conditions_differ_in_name_and_words() -> None:
    assert len({each.name for each in CONDITIONS}) == len(CONDITIONS)
    assert len({each.words for each in CONDITIONS}) == len(CONDITIONS)


def test_a_level_without_a_row_is_driven_and_in_use() -> None:
    assert condition_kind("drive_0.4") == "driven"
    assert condition_of("drive_0.4").in_use
    assert condition_of("drive_0.4").words == "drive 0.4"


def test_beyond_use_comes_last_and_no_part_is_sized_by_it() -> None:
    assert kinds_in_order() == ("idle", "cold_start", "driven", "overdrive")
    assert [each.name for each in CONDITIONS if not each.habitual] == ["cold_start", "overdrive"]


def test_a_quantity_without_a_row_is_spelled_out_with_its_unit_apart() -> None:
    assert quantity_of("heater_cathode_voltage_v").words == "heater-cathode voltage"
    assert quantity_of("ripple_current_a").words == "ripple current"
    assert quantity_of("ripple_current_a").unit == "A"
    assert quantity_of("gain").unit == ""


def test_a_row_of_a_quantity_stands_for_one_name_with_a_unit() -> None:
    assert len({each.name for each in QUANTITIES}) == len(QUANTITIES)
    assert all(each.unit for each in QUANTITIES)
