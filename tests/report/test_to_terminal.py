"""The readable report: golden text, widths, nothing dropped, nothing that steers a terminal."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console
from sample_audit import build, circuit, leak, result, roles, solved, stress

from netcheck.circuit.changes import ReplaceTube
from netcheck.findings import Finding
from netcheck.report import to_terminal
from netcheck.report.console import make_console, plain_text
from netcheck.report.terminal.layout import Column, table

GOLDEN = Path(__file__).parent.parent / "golden" / "report"
NASTY = "[bold red]x[/]\x1b[31m\x1b]0;t\x07\u202e"


@pytest.mark.parametrize("width", [80, 140])
def test_golden(width: int, remake_golden: bool) -> None:
    golden = GOLDEN / f"terminal_{width}.txt"
    text = to_terminal.render(build(), width=width)
    if remake_golden:
        golden.write_text(text, encoding="utf-8")

    assert text == golden.read_text(encoding="utf-8")


@pytest.mark.parametrize("width", [40, 60, 79, 80, 111, 112, 140, 200])
def test_no_line_is_wider_than_asked_and_no_fault_is_cut(width: int) -> None:
    text = to_terminal.render(build(), width=width)

    assert max(len(line) for line in text.splitlines()) <= width
    if width >= 60:
        for fault in build().faults:
            assert fault.fault.id.split("@")[0] in text.replace("\n", "")


def many(count: int) -> tuple[object, ...]:
    return tuple(
        result(leak(1e6 + n, f"{n}ohm"), "over_limit", solved("idle", 25.0), stress(2.0))
        for n in range(count)
    )


def test_rows_that_are_left_out_are_counted_and_all_shows_them() -> None:
    audit = build(faults=(*many(30), *build().faults[3:]))

    short = to_terminal.render(audit, width=100)
    whole = to_terminal.render(audit, width=100, show_all=True)

    assert "C2/leaky@19ohm" in short
    assert "C2/leaky@20ohm" not in short
    assert (
        "Not shown: 14 faults (10 over limit, 1 not solved, 1 not judged, 1 at limit, "
        "1 within limits); --all shows them."
    ) in " ".join(short.split())
    assert "C2/leaky@29ohm" in whole
    assert "C2/leaky@500Mohm" in whole
    assert "Not shown" not in whole


def test_reason_of_every_unsolved_fault_is_given_though_its_row_is_not() -> None:
    audit = build(faults=(*many(30), *build().faults[3:]))

    assert "R2/open, idle: no operating point was found in 5 s" in to_terminal.render(audit)


def test_color_only_repeats_words() -> None:
    buffer = io.StringIO()
    colored = Console(file=buffer, width=100, force_terminal=True, color_system="truecolor")
    to_terminal.write(build(), colored)

    assert "\x1b[" in buffer.getvalue()
    for words in ("OVER LIMIT", "not solved", "not judged", "at limit", "within limits"):
        assert words in to_terminal.render(build(), width=140)


def test_no_color_is_honored(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    buffer = io.StringIO()
    to_terminal.write(
        build(), Console(file=buffer, width=100, force_terminal=True, _environ={"NO_COLOR": "1"})
    )

    assert "\x1b[31m" not in buffer.getvalue()
    assert ";31m" not in buffer.getvalue()


@pytest.mark.parametrize("width", [60, 80, 140])
def test_names_from_a_netlist_neither_style_nor_steer(width: int) -> None:
    part = f"C2{NASTY}"
    fault = replace(leak(1e6, "1Mohm"), id=f"{part}/leaky", parts=(part,), summary=f"{part} leaks")
    audit = build(
        circuit=circuit(f"Title {NASTY}"),
        roles=replace(roles(), rails=(NASTY,), unrecognised=(NASTY,)),
        faults=(result(fault, "over_limit", solved("idle", 25.0), stress(2.0, part=part)),),
        findings=(Finding("odd-name", "warning", f"net {NASTY} is odd", part),),
        assumptions=(NASTY,),
        not_judged=(NASTY,),
        file=f"{NASTY}.cir",
    )
    buffer = io.StringIO()
    to_terminal.write(audit, make_console(buffer, width))
    text = buffer.getvalue()

    assert not any(steering in text for steering in ("\x1b", "\x07", "\u202e"))
    assert text.replace("\n", "").count("[bold red]") >= 5 or width < 80
    assert f"Title {NASTY.translate({27: 65533, 7: 65533, 0x202E: 65533})}" in text


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "the healthy circuit is at a limit (C3 voltage, 0.97 times 18.5 V, idle); of 7 faults "
             "tried 3 put a part over its limit (3 at idle, 0 more in use), C2/shorted "
             "first (X2 plate at 4.20 times its limit)."),
        ({"healthy_stresses": (stress(1.08),), "faults": ()},
         "the HEALTHY circuit is already OVER a limit (X2 plate, 1.08 times 12 W, idle); none of "
         "the kinds of fault on file applies to it."),
        ({"healthy_stresses": (), "worst_drive": (), "faults": build().faults[3:]},
         "no part of the healthy circuit could be judged; of 4 faults tried none puts a part over "
         "its limit (2 could not be solved or judged)."),
    ],
)  # fmt: skip
def test_verdict_is_one_sentence(changes: dict[str, object], expected: str) -> None:
    text = to_terminal.render(build(**changes), width=400)

    assert f"Verdict: {expected}\n" in text


def test_worst_drive_counts_for_health() -> None:
    hot = replace(build().worst_drive[0], input_v=2.0, value=13.2)

    text = to_terminal.render(build(worst_drive=(hot,)), width=200)

    assert "already OVER a limit (X2 plate, 1.10 times 12 W, worst drive)" in text


def test_scaled_limit_is_shown_as_compared_and_marked() -> None:
    scaled = replace(stress(1.2, limit=14.0 / 1.1), limit=14.0, rating_system="design_maximum")
    audit = build(faults=(result(leak(2e6, "2Mohm"), "over_limit", solved("idle", 15.0), scaled),))

    text = to_terminal.render(audit, width=140)

    assert "12.7 W*" in text
    assert "* A limit of another rating system" in text


def test_tipping_points_are_a_table_with_the_smallest_defect_first() -> None:
    text = to_terminal.render(build(), width=140)
    table = text[text.index("How small a defect is enough") :]

    rows = [table.index(start) for start in ("C3/leaky ", "R3/drifted ", "C2/leaky ")]
    assert rows == sorted(rows)
    assert "below 398 ohm" in table
    assert rows[2] < table.index("No size that was searched, at idle and with a signal, puts")
    assert "a part over its limit: L1/shorted" in " ".join(table.split())


def test_narrow_tipping_points_are_sentences() -> None:
    text = " ".join(to_terminal.render(build(), width=60).split())

    assert "C2 leak below 14 Mohm puts X2's plate over 12 W (idle)" in text
    assert "C3 leak of the smallest size searched, 10 kohm, already puts" in text


@pytest.mark.parametrize("in_health", [True, False])
def test_size_of_a_defect_names_the_tube_s_own_limit_not_a_substitute_s(in_health: bool) -> None:
    swap = (ReplaceTube("X2", "EL34"),)
    substitute = replace(leak(1e6, "a"), id="X2/wrong_tube@EL34", changes=swap)
    faults = (
        result(leak(1e6, "1Mohm"), "over_limit", solved("idle", 18.0), stress(1.5)),
        result(substitute, "over_limit", solved("idle", 30.0), stress(1.2, limit=25.0)),
    )
    changes = {} if in_health else {"healthy_stresses": ()}

    text = " ".join(to_terminal.render(build(faults=faults, **changes), width=60).split())

    assert "C2 leak below 14 Mohm puts X2's plate over 12 W (idle)" in text


def test_victims_of_one_defect_share_its_clause() -> None:
    first = build().tipping_points[2]
    points = (
        replace(first, victim="X3", quantity="plate_current_a"),
        replace(first, victim="X4", quantity="plate_current_a"),
        replace(first, victim="Z9", quantity="power_w", value=5.1e6),
    )

    text = to_terminal.render(build(tipping_points=points), width=200)

    assert "X3 and X4 plate current over its limit (idle); below 5.1 Mohm also Z9 power" in text


def test_grid_is_shown_as_the_meter_reads_it() -> None:
    audit = build(healthy={"idle": solved("idle", 10.4, grid_v=-10.0)})

    row = next(
        line for line in to_terminal.render(audit).splitlines() if line.startswith("X2 6V6GT")
    )

    assert "-9.55" in row
    assert "-10.0" not in row


def test_idle_only_says_nothing_of_drive() -> None:
    text = to_terminal.render(build(healthy={"idle": solved("idle", 10.4)}, worst_drive=()))

    assert "sine" not in text
    assert "LETHAL VOLTAGE: about 300 V on net bp." in text


def test_preamplifier_says_that_it_has_no_output_stage() -> None:
    no_output = replace(roles(), stages=roles().stages[1:])

    assert "No output stage was recognised" in to_terminal.render(build(roles=no_output))


@pytest.mark.parametrize("width", [40, 60, 72])
def test_no_word_of_a_head_breaks_in_a_narrow_terminal(width: int) -> None:
    words = set(to_terminal.render(build(), width=width).split())

    for title in ("screen", "cathode", "share", "plate", "limit"):
        assert title in words


def test_a_table_without_room_for_its_words_becomes_paragraphs() -> None:
    columns = [
        Column("tube", wrap=False),
        Column("cathode V", justify="right"),
        Column("screen mA"),
    ]
    rows = [["X1 12AX7", "12.84", "3.70"], ["X2 6V6GT", "1.30", ""]]

    def written(width: int) -> list[str]:
        return plain_text(lambda console: table(console, columns, rows), width).splitlines()

    assert written(24)[0].split() == ["cathode", "screen"]
    assert written(22) == [
        "- X1 12AX7: cathode V",
        "  12.84, screen mA",
        "  3.70",
        "- X2 6V6GT: cathode V",
        "  1.30",
    ]
