"""A diagnosis on the schematic: at the right places, readable, hiding nothing."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from itertools import combinations

import pytest
from sample_diagnosis import NOTHING_READ, OPEN, OTHER, READINGS, SAMPLE, hostile, many

from netcheck.drawing import to_png, to_svg
from netcheck.drawing.model import Box
from netcheck.drawing.paint import Circle, Group, Line, Shape, Text
from netcheck.drawing.style import CAPTION_PX, STYLES, text_width
from netcheck.models.diagnosis import Diagnosis
from netcheck.report.diagnosis_drawing import annotated, drawing_of, marks
from tests.drawing.circuits import EXAMPLES, drawn, read
from tests.drawing.geometry_checks import lines_of, named_boxes, points_between

EL34 = next(path for path in EXAMPLES if path.stem.startswith("el34"))
KT88 = next(path for path in EXAMPLES if path.stem.startswith("kt88"))
PREAMP = next(path for path in EXAMPLES if "preamp" in path.stem)
SPACE = "{http://www.w3.org/2000/svg}"


def busy(nets: list[str], refs: list[str]) -> Diagnosis:
    """Return a diagnosis with a reading at every net and suspects everywhere."""
    causes = tuple(
        replace(OPEN, id=f"{ref}/open", parts=(ref,), probability=0.05, group=number)
        for number, ref in enumerate(refs[:19], 1)
    )
    lines = tuple(replace(READINGS[0], text=f"V({net})=-31.2V", net_a=net) for net in nets)
    return replace(SAMPLE, causes=(*causes, OTHER), readings=lines, groups=())


def frame_of(group: Group) -> Box:
    shape = next(ink for ink in group.inks if isinstance(ink, Shape))
    xs, ys = zip(*shape.points, strict=True)
    return Box(min(xs), min(ys), max(xs), max(ys))


def texts_of(group: Group) -> list[str]:
    return [ink.text for ink in group.inks if isinstance(ink, Text)]


def notes(groups: tuple[Group, ...], part: str = "", net: str = "") -> Group:
    wanted = ("data-note-of-part", part) if part else ("data-note-of-net", net)
    found = [group for group in groups if wanted in group.data and (
        part == "" or "suspect" in group.kind)]  # fmt: skip
    assert len(found) == 1
    return found[0]


def test_a_reading_stands_at_its_net_beside_what_is_expected() -> None:
    circuit, roles, _ = read(EL34)
    _, said = annotated(circuit, roles, SAMPLE)
    note = notes(said.overlay, net="g4")

    assert texts_of(note) == [
        "V(g4): -31.2 V", "expected -38.1 V", "far off: less negative, 6.2 sd",
        "R(g4): open", "expected 230 kohm", "far off: too high, over 1000 sd",
    ]  # fmt: skip
    assert texts_of(notes(said.overlay, net="ht")) == ["ripple(ht): yes"]
    assert texts_of(notes(said.overlay, net="p4"))[1] == "with the tubes out"


def test_a_line_leads_from_each_note_to_a_wire_of_its_net() -> None:
    circuit, roles, _ = read(KT88)
    nets = [net for net in circuit.nets if net != "0"]
    drawing, said = annotated(circuit, roles, busy(nets, []))
    points = {net: set() for net in nets}  # type: dict[str, set[tuple[float, float]]]
    for net, first, second in lines_of(drawing):
        points.setdefault(net, set()).update(points_between(first, second))
    for part in drawing.parts:
        for pin in part.pins:
            points.setdefault(pin.net, set()).add(pin.at)

    for net in nets:
        note = notes(said.overlay, net=net)
        probe = next(ink for ink in note.inks if isinstance(ink, Circle))
        line = next(ink for ink in note.inks if isinstance(ink, Line))
        assert probe.center in points[net]
        assert line.points[1] == probe.center


def test_suspects_of_five_percent_have_rank_and_percent() -> None:
    causes = (
        replace(OPEN, id="R33/open", parts=("R33",), probability=0.6, group=1),
        replace(OPEN, id="R22/open", parts=("R22",), probability=0.05, group=2),
        replace(OPEN, id="R14/open", parts=("R14",), probability=0.049, group=3),
        replace(OTHER, probability=0.3),
    )
    found = marks(replace(SAMPLE, causes=causes, groups=(), readings=()))

    assert {one.name: [row.badge for row in one.rows if row.badge] for one in found.callouts} == {
        "R33": ["1"], "R22": ["2"],
    }  # fmt: skip
    assert {ref: one.mark for ref, one in found.captions.items()} == {
        "R33": "fault", "R22": "suspect",
    }  # fmt: skip


def test_a_pair_marks_both_parts_and_names_the_other() -> None:
    circuit, roles, _ = read(EL34)
    _, said = annotated(circuit, roles, SAMPLE)

    assert texts_of(notes(said.overlay, part="C4")) == ["2", "21 %", "leaky, with R22 open"]
    assert texts_of(notes(said.overlay, part="R22")) == ["2", "21 %", "open, with C4 leaky"]
    assert said.captions["C4"].mark == said.captions["R22"].mark == "fault"  # the first one's group


def test_marks_differ_by_more_than_color() -> None:
    assert len({STYLES[name].dash for name in ("fault", "changed", "suspect")}) == 3
    assert STYLES["note"].width != STYLES["note-off"].width
    assert STYLES["fault"].width != STYLES["suspect"].width


@pytest.mark.parametrize("path", [KT88, PREAMP], ids=lambda path: path.stem)
def test_notes_hide_nothing_and_stay_on_the_sheet(path: object) -> None:
    circuit, roles, _ = read(path)  # type: ignore[arg-type]
    nets = [net for net in circuit.nets if net != "0"]
    drawing, said = annotated(circuit, roles, busy(nets, list(circuit.parts)))
    frames = [(group.id, frame_of(group)) for group in said.overlay if group.id != "legend"]
    empty = {"caption", "screen"}
    solid = [(name, box) for name, box in named_boxes(drawing)
             if name.split()[-1] not in empty and not name.startswith("volts")]  # fmt: skip
    wires = [(f"wire {net}", Box(min(x1, x2), min(y1, y2), max(x1, x2), max(y1, y2)).grown(0.05))
             for net, (x1, y1), (x2, y2) in lines_of(drawing)]  # fmt: skip

    assert len(frames) == len(nets) + min(19, len(circuit.parts))
    assert [pair for pair in combinations(frames, 2) if pair[0][1].overlaps(pair[1][1])] == []
    for name, frame in frames:
        assert [other for other, box in (*solid, *wires) if frame.overlaps(box)] == [], name
        assert drawing.box.left <= frame.left
        assert drawing.box.right >= frame.right
        assert drawing.box.top <= frame.top
        assert drawing.box.bottom >= frame.bottom


def test_texts_stay_in_their_frames() -> None:
    circuit, roles, _ = read(EL34)
    _, said = annotated(circuit, roles, SAMPLE)
    for group in said.overlay[:-1]:
        frame = frame_of(group)
        for ink in group.inks:
            if isinstance(ink, Text) and ink.anchor == "start":
                width = text_width(ink.text, CAPTION_PX, STYLES[ink.style].bold)
                assert frame.left < ink.at[0]
                assert ink.at[0] + width < frame.right
                assert frame.top < ink.at[1] < frame.bottom


def test_what_is_not_drawn_is_said_below() -> None:
    circuit, roles, _ = read(PREAMP)
    _, said = annotated(circuit, roles, busy(["p1", "nowhere"], ["R2", "R999"]))

    assert "Not on the drawing: R999 and nowhere." in " ".join(texts_of(said.overlay[-1]))


def test_heading_and_legend_stay_within_a_narrow_drawing() -> None:
    circuit, roles, _ = drawn("Tiny\nV1 a 0 10\nR1 a 0 1k\n.end\n")
    long = replace(OPEN, id="+".join(f"R{n}" for n in range(40)) + "/open", parts=("R1",))
    drawing, said = annotated(circuit, roles, replace(busy(["a"], []), causes=(long,)))

    assert said.heading.startswith("Likeliest: R0+R1")
    for line in (said.heading, *texts_of(said.overlay[-1])):
        assert text_width(line) <= drawing.box.width


def test_svg_is_well_formed_with_unique_ids_and_says_more_on_hover() -> None:
    circuit, roles, _ = read(EL34)
    root = ElementTree.fromstring(drawing_of(circuit, roles, SAMPLE))
    ids = [group.get("id") for group in root.iter(f"{SPACE}g")]
    titles = {group.get("data-part"): group.findtext(f"{SPACE}title")
              for group in root.iter(f"{SPACE}g")}  # fmt: skip

    assert len(ids) == len(set(ids))
    assert "suspect 1, 61 %: C5 leaky, 3.2 Mohm (2 Mohm to 5 Mohm)" in (titles["C5"] or "")
    assert (titles["C5"] or "").startswith("C5, capacitor: coupling capacitor")


def test_text_of_strangers_is_escaped_and_cut() -> None:
    circuit, roles, _ = drawn("A <b>\nVB b&b 0 200\nR<script> b&b 0 100k\n.end\n")
    ref = next(one for one in circuit.parts if "script" in one)
    made = replace(hostile(), causes=tuple(
        replace(one, parts=(ref,)) for one in hostile().causes), readings=tuple(
        replace(one, net_a="b&b", part="") for one in hostile().readings))  # fmt: skip
    text = drawing_of(circuit, roles, made)
    root = ElementTree.fromstring(text)

    assert "<script" not in text
    assert not [sign for sign in text if not (sign.isprintable() or sign == "\n")]
    assert {ref, "b&b"} <= {value for group in root.iter(f"{SPACE}g")
                            for value in group.attrib.values()}  # fmt: skip
    assert max(len(one.text or "") for one in root.iter(f"{SPACE}text")) < 200


@pytest.mark.parametrize("diagnosis", [NOTHING_READ, many()])
def test_without_readings_only_suspects_are_noted(diagnosis: Diagnosis) -> None:
    circuit, roles, _ = read(EL34)
    _, said = annotated(circuit, roles, diagnosis)

    assert {group.kind for group in said.overlay} == {"note-suspect", "legend"}


def test_without_a_diagnosis_nothing_of_the_drawing_changes() -> None:
    circuit, roles, drawing = read(PREAMP)
    empty = replace(NOTHING_READ, causes=(OTHER,))
    bare, noted = to_svg(drawing), to_svg(*annotated(circuit, roles, empty))

    def points(text: str) -> list[str]:
        return re.findall(r'points="([^"]+)"', text)

    assert points(bare) == points(noted)


def test_the_picture_can_be_png_too() -> None:
    circuit, roles, _ = read(PREAMP)

    assert to_png(*annotated(circuit, roles, busy(["p1"], ["R2"])), 0.5).startswith(b"\x89PNG")
