"""The SVG: well formed, escaped, with an id for everything a page may want to swap."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import pytest

from netcheck.circuit.model import Circuit
from netcheck.drawing import Annotations, draw_circuit, fragments, role_annotations, to_svg
from netcheck.drawing.annotations import Caption, Level, Volts
from netcheck.roles import recognise
from tests.drawing.circuits import EXAMPLES, drawn, read

SPACE = "{http://www.w3.org/2000/svg}"


def parsed(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)


def test_every_part_is_in_the_svg_once_with_name_value_and_role() -> None:
    circuit, roles, drawing = read(EXAMPLES[0])
    root = parsed(to_svg(drawing, role_annotations(circuit, roles)))
    groups = {group.get("data-part"): group for group in root.iter(f"{SPACE}g")
              if group.get("data-part")}  # fmt: skip
    texts = {ref: [t.text for t in group.iter(f"{SPACE}text")] for ref, group in groups.items()}

    assert sorted(groups) == sorted(circuit.parts)
    assert all(texts[ref][0] == ref for ref in groups)
    assert "100 kΩ" in texts["R2"]
    assert groups["R2"].findtext(f"{SPACE}title") == "R2, resistor: plate load of X1"


def test_ids_are_unique_and_stay_the_same_with_other_annotations() -> None:
    _circuit, _roles, drawing = read(EXAMPLES[0])
    bare = to_svg(drawing)
    loud = to_svg(drawing, Annotations({"R2": Caption("1 W", 1.2, "over", 0.4, "fault")}))
    ids = re.findall(r' id="([^"]+)"', bare)

    assert len(ids) == len(set(ids))
    assert re.findall(r' id="([^"]+)"', loud) == ids


def test_fragments_turn_one_state_into_another() -> None:
    circuit, roles, drawing = read(EXAMPLES[0])
    before = role_annotations(circuit, roles)
    after = Annotations({"X1": Caption("9 mA  3 W", 1.3, "over", 0.5, "changed")},
                        {}, {"p1": Volts("101 V", -1, "202 V")}, {}, "idle, faulty")  # fmt: skip
    root = parsed(to_svg(drawing, before))
    groups = {group.get("id"): group for group in root.iter(f"{SPACE}g")}
    for name, piece in fragments(drawing, after).items():
        group = groups[name]
        for child in list(group):
            group.remove(child)
        group.set("class", piece.classes)
        group.extend(parsed(f'<g xmlns="{SPACE[1:-1]}">{piece.markup}</g>'))
    swapped = ElementTree.canonicalize(
        ElementTree.tostring(root), strip_text=True, rewrite_prefixes=True
    )

    assert swapped == ElementTree.canonicalize(
        to_svg(drawing, after), strip_text=True, rewrite_prefixes=True
    )


def test_odd_names_are_escaped() -> None:
    circuit, _, _ = drawn("A <b>title</b> & \"quotes\"\nVB b&b 0 200\nX1 p<1 0 k 12AX7\n"
                          "R<script> b&b p<1 100k\nR2&a k 0 1k\n.end\n")  # fmt: skip
    text = to_svg(draw_circuit(circuit, recognise(circuit)))
    root = parsed(text)

    assert "<script>" not in text
    assert {g.get("data-part") for g in root.iter(f"{SPACE}g")} >= set(circuit.parts)
    assert [t.text for t in root.iter(f"{SPACE}text")][-1] == circuit.title


@pytest.mark.parametrize("level", ["hot", "at", "over"])
def test_heat_is_said_by_more_than_color(level: Level) -> None:
    _circuit, _, drawing = read(EXAMPLES[0])
    share = {"hot": 0.9, "at": 1.0, "over": 1.4}[level]
    text = to_svg(drawing, Annotations({"X1": Caption("9 mA  3 W", share, level)}))
    group = re.search(r'<g id="nc-part-X1".*?(?=<g id="nc-part-X2")', text, re.DOTALL)

    assert group is not None
    assert f"{share:.0%}".replace("%", " %") in group.group()
    assert f"nc-halo-{level}" in group.group()
    assert ("nc-ring-over" in group.group()) == (level == "over")


def test_nothing_points_outside_of_the_svg() -> None:
    circuit, roles, drawing = read(EXAMPLES[0])
    text = to_svg(drawing, role_annotations(circuit, roles))

    assert re.findall(r"https?://[^\"]+", text) == ["http://www.w3.org/2000/svg"]
    assert "url(" not in text
    assert "<script" not in text


def test_added_parts_of_a_fault_do_not_disturb() -> None:
    circuit, roles, drawing = read(EXAMPLES[0])
    other: Circuit = replace(circuit, title="Another title")

    assert draw_circuit(other, roles).parts == drawing.parts
