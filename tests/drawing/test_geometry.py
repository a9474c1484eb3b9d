"""Every drawing is complete and clean, and says the same as its netlist."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcheck.circuit.model import GROUND
from netcheck.drawing.model import Drawing, Flag, Wire
from netcheck.drawing.style import text_width
from tests.drawing.circuits import CORPUS, EXAMPLES, drawn, many_tubes, read, thrown_together
from tests.drawing.geometry_checks import (
    overlaps,
    problems,
    recovered_nets,
    true_nets,
    wires_through_boxes,
)

EVERY = [*EXAMPLES, *CORPUS]

ODD = {
    "one resistor": ("R1 a 0 1k",),
    "nothing to ground": ("R1 a b 1k", "R2 b a 2k"),
    "a part on one net": ("R1 a a 1k", "R2 a 0 1k"),
    "both ends grounded": ("R1 0 0 1k", "V1 a 0 1", "R2 a 0 1"),
    "no tube": ("V1 in 0 10", "R1 in out 1k", "C1 out 0 1u", "L1 out x 1m", "D1 x 0 DX"),
    "sources": ("V1 a 0 10", "E1 b 0 a 0 2", "G1 c 0 a b 1m", "I1 c 0 1m", "R1 b c 1k"),
    "tube on one supply": ("VB b 0 200", "X1 b b 0 12AX7"),
    "grid to plate": ("VB b 0 200", "X1 p p k 12AX7", "R1 b p 10k", "R2 k 0 1k"),
    "long names": (
        "VSUPPLY_OF_THE_WHOLE_AMPLIFIER supply_net_with_a_long_name 0 300",
        "RPLATE_LOAD_RESISTOR_LEFT supply_net_with_a_long_name plate_of_the_first_tube 100k",
        "X1 plate_of_the_first_tube 0 k 12AX7",
        "RK k 0 1k",
    ),
    "many on one net": tuple(f"R{n} hub 0 {n}k" for n in range(1, 40)),
    "a ring": tuple(f"R{n} n{n} n{(n + 1) % 30} 1k" for n in range(30)),
}


@pytest.mark.parametrize("path", EVERY, ids=lambda path: path.stem)
def test_the_corpus_is_drawn_without_a_fault(path: Path) -> None:
    circuit, _, drawing = read(path)

    assert problems(circuit, drawing) == []


@pytest.mark.parametrize("name", ODD)
def test_odd_circuits_are_drawn_without_a_fault(name: str) -> None:
    model = ".model DX D"
    circuit, _, drawing = drawn("\n".join(("Odd circuit", *ODD[name], model, ".end", "")))

    assert problems(circuit, drawing) == []


@pytest.mark.parametrize("pairs", [2, 4])
def test_large_amplifiers_are_drawn_without_a_fault(pairs: int) -> None:
    circuit, roles, drawing = drawn(many_tubes(pairs))

    assert len(roles.output_tubes) == 2 * pairs
    assert problems(circuit, drawing) == []


@pytest.mark.parametrize("seed", range(8))
def test_circuits_nobody_would_build_are_drawn_without_a_fault(seed: int) -> None:
    circuit, _, drawing = drawn(thrown_together(seed))

    assert problems(circuit, drawing) == []


def test_supplies_run_above_the_tubes_and_signals_to_the_right() -> None:
    _, _, drawing = read(next(path for path in EXAMPLES if path.stem.startswith("el34")))
    place = {part.ref: part.at for part in drawing.parts}

    assert place["X1"][0] < place["X2"][0] < place["X3"][0] < place["X4"][0] < place["L1"][0]
    assert place["L1"][0] < place["L3"][0] < place["R40"][0]
    assert place["X4"][0] == place["X5"][0]
    assert drawing.part("X4").turn == "right"
    assert drawing.part("X5").turn == "down"
    assert max(place[ref][1] for ref in ("R20", "R21", "L10", "RSRC")) < place["R3"][1]
    assert place["R3"][1] < place["X1"][1] < place["R4"][1]
    assert place["VNEG"][1] > place["R4"][1]


def test_what_belongs_to_a_stage_is_wired_and_not_flagged() -> None:
    circuit, _, drawing = read(next(path for path in EXAMPLES if path.stem.startswith("el34")))
    flagged = {flag.net for flag in drawing.flags}

    assert flagged <= {"sp", "bias", "sg", "ht", "inv", "drv"}
    assert {pin.net for part in circuit for pin in part.pins} - {GROUND} > flagged


def test_unknown_parts_stand_in_a_frame_of_their_own() -> None:
    _, roles, drawing = drawn(
        "\n".join(("T", "VB b 0 200", "X1 p g k 12AX7", "R1 b p 100k", "R2 k 0 1k", "R3 g 0 1meg",
                   "R7 y z 1k", "C7 y z 1u", "R8 z w 2k", ".end", ""))
    )  # fmt: skip
    (area,) = drawing.areas

    assert set(roles.unrecognised) == {"R7", "C7", "R8"}
    for part in drawing.parts:
        assert area.box.overlaps(part.body) == (part.ref in roles.unrecognised)


def test_the_same_circuit_gives_the_same_drawing() -> None:
    path = EXAMPLES[0]

    assert drawn(path.read_text(encoding="utf-8"))[2] == read(path)[2]


def test_the_checks_notice_what_is_wrong() -> None:
    circuit, _, good = read(EXAMPLES[0])
    fewer = _with(good, wires=good.wires[1:])
    flag = good.flags[0] if good.flags else Flag("x", (0, 0), "up", good.parts[0].body)
    box = good.parts[0].body
    crossing = Wire("x", ((int(box.left) - 2, int(box.top) + 2), (int(box.right) + 2,
                    int(box.top) + 2)))  # fmt: skip

    assert recovered_nets(fewer) != true_nets(circuit)
    assert overlaps(_with(good, flags=(*good.flags, Flag("x", flag.at, "up", box))))
    assert wires_through_boxes(_with(good, wires=(*good.wires, crossing)))
    assert problems(circuit, _with(good, parts=good.parts[1:]))


def test_estimated_widths_hold_the_texts_of_a_wide_face() -> None:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    for text in ("R12", "100 kΩ", "47 µF", "12.3 mA  15.6 W", "XAMP.R3", "6SN7GTB", "-388.8 V"):
        for bold in (False, True):
            face = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
            width = TextPath((0, 0), text, size=9.0, prop=face).get_extents().width / 10

            assert width <= text_width(text, 9.0, bold)


def _with(drawing: Drawing, **changes: object) -> Drawing:
    from dataclasses import replace

    return replace(drawing, **changes)  # type: ignore[arg-type]
