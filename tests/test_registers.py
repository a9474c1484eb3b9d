"""What has a register is named by it: no other module spells such a name out."""

from __future__ import annotations

import ast
import dataclasses
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from netcheck.conditions import CONDITIONS, condition_kind, condition_of, kinds_in_order
from netcheck.faults import FAULT_KINDS, word_named
from netcheck.faults.base import FaultKind
from netcheck.findings import FINDING_KINDS
from netcheck.likelihoods import LIKELIHOOD_CLASSES
from netcheck.netlist.cards import PartNote
from netcheck.netlist.notes import NoteKey
from netcheck.quantities import QUANTITIES, quantity_of
from netcheck.roles.table import Place, RoleName
from netcheck.workbench.settings import Step

PACKAGE = Path(__file__).resolve().parent.parent / "netcheck"
CONDITIONS_SPELLED_OUT = {
    "diagnose/": {"idle"},  # a step of the bench sheet and a situation; they have this name too
}
"""Where the name of a condition may stand nevertheless.  This list only gets shorter."""

SOURCE = {"current_source"}  # the kind of part, or of stage, of the same name
ROLES_SPELLED_OUT = {
    "circuit/": SOURCE,
    "diagnose/bench_sheet.py": {"lamp"},  # the bulb in series with the mains
    "diagnose/lamp.py": {"lamp"},
    "diagnose/sheet_lines.py": {"lamp"},
    "diagnose/evidence.py": {"fuse"},  # what was seen of it
    "diagnose/evidence_rules.py": {"fuse"},
    "drawing/": SOURCE,
    "faults/": {  # kinds of fault
        *("bleeder", "cathode_load", "cathode_resistor", "coupling_capacitor"),
        *("feedback_resistor", "grid_leak", "grid_stopper", "output_capacitor", "plate_load"),
        *("rail_choke", "rail_dropper", "screen_resistor", "sense_resistor"),
    },
    "netlist/notes.py": {"lamp"},  # the key of a note
    "report/annotation.py": SOURCE,
    "report/diagnosis_words.py": {"lamp"},
    "report/to_compare.py": SOURCE,
    "roles/": SOURCE | {"cathode_load", "grid_leak", "interstage_transformer"},  # forms of stage
    "solve/": SOURCE,
}
"""Where the name of a role may stand for something else.  This list only gets shorter."""

WITHOUT_FAULTS = {
    # parts of a network that no kind of fault is made for yet
    *("cathode_diode", "feedback_shunt", "heater_bias", "heater_load", "hum_balance"),
    *("input_load", "interstage_resistor", "lamp", "output_load", "plate_stopper"),
    *("protection_diode", "regulator_diode", "regulator_transistor", "tone_control"),
    # sources and what stands for something else
    *("current_sensor", "current_source", "current_source_bias", "heater_source"),
    *("ground_reference", "input_source", "leakage_inductance", "transformer_source"),
    "unused_part",
}
"""Roles that no kind of fault names.  This list only gets shorter."""


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


def places_of(names: set[str], home: str, exceptions: dict[str, set[str]]) -> dict[str, set[str]]:
    """Return which of the names are spelled out where, beside their home."""
    found: dict[str, set[str]] = {}
    for module in sorted(PACKAGE.rglob("*.py")):
        name = module.relative_to(PACKAGE).as_posix()
        place = next((each for each in exceptions if name.startswith(each)), name)
        texts = spelled_out(ast.parse(module.read_text(encoding="utf-8"))) & names
        if texts and name != home:
            found[place] = found.get(place, set()) | texts
    return found


def test_a_condition_is_spelled_out_only_in_its_register() -> None:
    names = {each.name for each in CONDITIONS}
    found = places_of(names, "conditions.py", CONDITIONS_SPELLED_OUT)

    assert found == CONDITIONS_SPELLED_OUT


def test_a_role_is_spelled_out_only_in_its_register() -> None:
    names = {each.value for each in RoleName}
    found = places_of(names, "roles/table.py", ROLES_SPELLED_OUT)

    assert found == ROLES_SPELLED_OUT


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


def roles_named_in(room: str) -> set[str]:
    """Return the roles that the modules of a room name, and those that its columns choose."""
    named: set[str] = set()
    for module in (PACKAGE / room).glob("*.py"):
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "RoleName":
                named.add(node.attr)
    return named


def test_every_role_is_given_to_some_part() -> None:
    assert {each.name for each in RoleName} == roles_named_in("roles")


def test_every_place_of_a_role_is_drawn() -> None:
    drawn: set[str] = set()
    for module in (PACKAGE / "drawing").glob("*.py"):
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "Place":
                drawn.add(node.attr)
    by_structure = {"TUBE", "WINDING", "ROWS"}  # tubes and cores are drawn as such, rows last

    assert {each.name for each in Place} == drawn | by_structure
    assert all(any(each in name.kind.place for name in RoleName) for each in Place)


def test_every_role_of_a_true_part_has_a_kind_of_fault() -> None:
    known = {RoleName[each] for each in roles_named_in("faults")}
    known |= {
        each
        for each in RoleName
        if each.kind.swapped or each.kind.electrolytic or each.kind.biases or each.kind.stands_for
    }
    by_structure = {
        each for each in RoleName if each.kind.place in (Place.TUBE, Place.WINDING)
    }  # tubes and windings have faults whatever their role

    assert {each.value for each in set(RoleName) - known - by_structure} == WITHOUT_FAULTS


def test_the_rows_of_roles_are_named_as_the_program_names_them() -> None:
    assert [each.name.lower() for each in RoleName] == [each.value for each in RoleName]
    assert all(each.kind.place and each.kind.does for each in RoleName)


# Lists of names in types


def literals(tree: ast.AST) -> list[frozenset[object]]:
    """Return the names in each `Literal` of three and more."""
    found = [
        frozenset(each.value for each in ast.walk(node.slice) if isinstance(each, ast.Constant))
        for node in ast.walk(tree)
        if isinstance(node, ast.Subscript) and getattr(node.value, "id", "") == "Literal"
    ]
    return [each for each in found if len(each) > 2]


def test_no_list_of_names_is_declared_twice() -> None:
    found: dict[frozenset[object], list[str]] = {}
    for module in sorted(PACKAGE.rglob("*.py")):
        for names in literals(ast.parse(module.read_text(encoding="utf-8"))):
            found.setdefault(names, []).append(module.relative_to(PACKAGE).as_posix())

    assert {names: places for names, places in found.items() if len(places) > 1} == {}


# Likelihoods


def test_the_classes_of_likelihood_are_listed_in_their_register_alone() -> None:
    listed = [
        module.name
        for module in PACKAGE.rglob("*.py")
        if {*LIKELIHOOD_CLASSES} <= all_texts(ast.parse(module.read_text(encoding="utf-8")))
        and module.parent.name != "faults"
    ]

    assert listed == ["likelihoods.py"]


def all_texts(tree: ast.AST) -> set[object]:
    return {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)}


# Kinds of fault

KINDS = {kind.name for kind in FAULT_KINDS}
WORDS = {word.name for kind in FAULT_KINDS for word in kind.words}


CALLED_SO_TOO = {"mains", "open", "rectifier", "speaker"}
"""What spreads, readings, kinds of tube and symbols with the name of a fault: such a name
counts only where faults are read at all."""
MEANT_OTHERWISE = {
    "diagnose/bench_sheet.py": {"mains"},  # what spreads from unit to unit
    "diagnose/sheet_lines.py": {"mains"},  # the same
    "diagnose/situations.py": {"mains"},  # the same
    "judge/unrest.py": {"oscillation"},  # how a state leaves its idle
    "solve/results.py": {"oscillation"},  # the same
}
"""Where a name of a fault may stand nevertheless.  This list only gets shorter."""


def names_of_kinds(source: str) -> set[str]:
    """Return the kinds of fault and their words in a module, alone or several in one text."""
    names = KINDS | WORDS if "netcheck.faults" in source else (KINDS | WORDS) - CALLED_SO_TOO
    texts = (text.split() for text in spelled_out(ast.parse(source)))
    return {name for text in texts if set(text) <= names for name in text}


def test_a_kind_of_fault_is_spelled_out_only_in_its_register() -> None:
    found: dict[str, set[str]] = {}
    for module in sorted(PACKAGE.rglob("*.py")):
        name = module.relative_to(PACKAGE).as_posix()
        if not name.startswith(("faults/", "roles/")):
            found[name] = names_of_kinds(module.read_text(encoding="utf-8"))

    assert {name: texts for name, texts in found.items() if texts} == MEANT_OTHERWISE


def test_the_search_finds_several_names_in_one_text() -> None:
    assert names_of_kinds('x = f("tube_gas tube_leak")') == {"tube_gas", "tube_leak"}
    assert names_of_kinds('x = "a tube_gas fault"; y = "mains"') == set()
    assert names_of_kinds('import netcheck.faults; y = "mains"') == {"mains"}


@pytest.mark.parametrize("kind", FAULT_KINDS, ids=lambda kind: kind.name)
def test_a_word_means_the_same_in_every_kind(kind: FaultKind) -> None:
    for word in kind.words:
        everywhere = word_named(word.name)

        assert (word.grows, word.deviates) == (everywhere.grows, everywhere.deviates)


GIVEN_BY = {
    "Finding": None, "Ruling": None, "add": None, "warn": "warning", "note": "note",
    "_find": "note", "_complain": None,
}  # fmt: skip
"""What makes a finding of a code, its first argument, and the level it gives; None: as told."""
CODE = re.compile(r"[a-z]+(-[a-z]+)+|interrupted")
LEVELS = ("note", "warning", "error")


def text_of(node: ast.AST) -> str:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


def findings_given(tree: ast.AST) -> Iterator[tuple[str, set[str]]]:
    """Return the codes that a module gives, in calls or tables, with the levels beside each."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Dict):
            rows = [each.elts for each in node.values if isinstance(each, ast.Tuple)]
            yield from ((text_of(row[0]), set()) for row in rows if row)
        if not isinstance(node, ast.Call) or not node.args:
            continue
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        if name in GIVEN_BY:
            told = {text_of(each) for each in ast.walk(node.args[1])} if node.args[1:] else set()
            given = GIVEN_BY[name]
            yield text_of(node.args[0]), {given} if given else told & set(LEVELS)


@cache
def all_findings_given() -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for module in PACKAGE.rglob("*.py"):
        for code, levels in findings_given(ast.parse(module.read_text(encoding="utf-8"))):
            if module.name != "findings.py" and CODE.fullmatch(code):
                found.setdefault(code, set()).update(levels)
    return found


def test_every_finding_that_is_given_has_a_row_and_every_row_is_given() -> None:
    assert set(all_findings_given()) == set(FINDING_KINDS)


def test_a_finding_is_given_with_the_level_of_its_row_at_the_most() -> None:
    given = {
        code: max(levels, key=LEVELS.index)
        for code, levels in all_findings_given().items()
        if levels
    }

    assert given == {code: FINDING_KINDS[code].level for code in given}


def test_a_row_of_a_finding_says_why_in_a_sentence() -> None:
    assert all(kind.why.endswith(".") for kind in FINDING_KINDS.values())


# Long steps


def steps_begun(tree: ast.AST) -> Iterator[str]:
    """Return what each long step in a module is called: its name in `Step`, else its source."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            of_step = {"start": 0, "_step": 1}.get(name)
            if of_step is not None and len(node.args) == of_step + 2:
                yield ast.unparse(node.args[of_step]).removeprefix("Step.")


def test_every_long_step_is_called_by_its_register() -> None:
    begun = {
        step
        for module in PACKAGE.rglob("*.py")
        if "Progress" in (text := module.read_text(encoding="utf-8"))
        for step in steps_begun(ast.parse(text))
    }

    assert begun - {"step"} == {each.name for each in Step}  # handed on by what begins it


def test_a_long_step_is_called_in_a_few_plain_words() -> None:
    assert [each for each in Step if not re.fullmatch(r"[a-z ]{4,33}", each)] == []


# Part notes

KEYS_MEANT_OTHERWISE = {
    "instance.py": {"dcr", "power", "tol", "type"},  # words of a card
    "kinds.py": {"pot", "speaker"},  # kinds of symbol
    "cards.py": {"pot", "speaker"},  # the same
    "scope.py": {"heater"},  # a pin
    "symbols.py": {"power"},  # a kind of symbol
    "tubes.py": {"type"},  # a field of a symbol
}
"""Where a word of `netlist/` is no key of a note.  This list only gets shorter."""


def test_a_key_of_a_note_is_spelled_out_only_in_its_register() -> None:
    keys = {each.value for each in NoteKey}
    found: dict[str, set[str]] = {}
    for module in (PACKAGE / "netlist").rglob("*.py"):
        texts = spelled_out(ast.parse(module.read_text(encoding="utf-8")))
        written = {text.removesuffix("=") for text in texts} & keys
        if written and module.name != "notes.py":
            found.setdefault(module.name, set()).update(written)

    assert found == KEYS_MEANT_OTHERWISE


def test_every_field_of_a_note_has_its_key() -> None:
    fields = {each.name for each in dataclasses.fields(PartNote)}

    assert {each.row.field for each in NoteKey} == fields - {"heater_v"}  # behind `heater=`
    assert all(each.row.letter in "RCLVX" and each.row.meaning for each in NoteKey)
