"""A diagnosis as text: the order of the bench, nothing dropped, nothing that can steer."""

from __future__ import annotations

import io
import itertools
import re
from dataclasses import replace

import pytest
from rich.console import Console
from sample_diagnosis import NOTHING_READ, PAIR, SAMPLE, hostile, many

from netcheck.models.diagnosis import Diagnosis
from netcheck.report import diagnosis_text
from netcheck.report.console import plain_text


def text(diagnosis: Diagnosis, width: int = 80) -> str:
    return diagnosis_text.render(diagnosis, width)


def flowed(diagnosis: Diagnosis) -> str:
    """Return the text with every run of blanks and line ends as one blank."""
    return " ".join(text(diagnosis).split())


def test_sections_stand_in_the_order_of_the_bench() -> None:
    lines = text(SAMPLE).splitlines()
    titles = [above for above, below in itertools.pairwise(lines)
              if below and set(below) == {"-"}]  # fmt: skip

    assert titles == [
        "Cautions first", "Readings", "What else is known", "What fits, the likeliest first",
        "What cannot be told apart yet", "What to measure next", "Left out, and why",
        "Could not be weighed", "What this takes for granted",
    ]  # fmt: skip


@pytest.mark.parametrize("diagnosis", [SAMPLE, NOTHING_READ, many(), hostile()])
def test_no_line_is_wider_than_80_columns(diagnosis: Diagnosis) -> None:
    assert max(map(len, text(diagnosis).splitlines())) <= 80


def test_a_reading_stands_beside_what_a_sound_unit_shows() -> None:
    said = flowed(SAMPLE)

    assert (
        "V(g4): -31.2 V a sound unit -38.1 V (-40.2 V to -36.3 V); far off: less negative" in said
    )
    assert "R(g4): open a sound unit 230 kohm" in said
    assert "ripple(ht): yes a sound unit has no figure for this" in said


def test_a_cause_has_size_range_group_and_what_it_overheats() -> None:
    said = flowed(SAMPLE)

    assert "1. 61 % C5 leaky, 3.2 Mohm (2 Mohm to 5 Mohm); group 1" in said
    assert "OVERHEATS X4 plate 180 % of its limit" in said
    assert "2. 21 % C4 leaky with R22 open, 4 Mohm; group 1" in said


def test_the_first_causes_account_for_every_reading_and_for_what_was_seen() -> None:
    said = flowed(SAMPLE)

    assert "V(g4): read -31.2 V; expects -31.6 V (-33 V to -30.1 V): fits, 0.3 sd off" in said
    assert "ripple(ht): read yes; 90 % of units with it answer so" in said
    assert "I(R24): read 61 mA; not solved" in said
    assert "glow(X4)=yes: 72 % likely with it" in said


def test_no_fault_and_none_of_these_are_always_there() -> None:
    said = text(many())

    assert re.search(r"^ 29\. +5 % none of these$", said, re.MULTILINE)
    assert re.search(r"^ 30\. +< 1 % no fault$", said, re.MULTILINE)
    assert re.search(r"^16 more causes, each below 1 %", said, re.MULTILINE)


def test_at_most_three_measurements_say_how_to_make_and_type_them() -> None:
    said = flowed(SAMPLE)

    assert "1. grid of X4, with the tubes out red g4; black 0 (chassis)" in said
    assert "type the answer as V(g4)=?@tubes_out" in said
    assert "C5 leaky: -24 V (-27 V to -20 V)" in said
    assert "R33 open: not solved" in said
    assert "R33 open: open" in said
    assert "V(p2)=?" in said
    assert "V(p3)=?" not in said


def test_without_readings_it_says_what_the_order_means() -> None:
    said = flowed(NOTHING_READ)

    assert "None yet: the order below is how common each fault is" in said
    assert "What else is known" not in said


@pytest.mark.parametrize("words", ["one cause is left", "one cause is left."])
def test_a_settled_diagnosis_says_why_no_more_is_asked(words: str) -> None:
    said = text(replace(SAMPLE, probes=(), settled=words))

    assert "\nNothing more: one cause is left.\n" in said


def test_no_probe_left_is_said() -> None:
    assert "No measurement that can be made would split" in text(replace(SAMPLE, probes=()))


def test_text_of_strangers_cannot_steer_the_terminal() -> None:
    said = text(hostile(), 2000)

    assert not [sign for sign in said if not (sign.isprintable() or sign == "\n")]
    assert "[bold]loud[/bold]" in said
    assert said.count("<script>alert(1)</script>") > 30


def test_color_only_repeats_what_the_words_say() -> None:
    buffer = io.StringIO()
    console = Console(file=buffer, width=80, force_terminal=True, color_system="standard",
                      markup=False, emoji=False, highlight=False)  # fmt: skip
    diagnosis_text.write(SAMPLE, console)
    colored = buffer.getvalue()
    bare = "".join(f"{line.rstrip()}\n"
                   for line in re.sub(r"\x1b\[[\d;]*m", "", colored).splitlines())  # fmt: skip

    assert "\x1b[" in colored
    assert bare == plain_text(lambda plain: diagnosis_text.write(SAMPLE, plain), 80)


def test_an_absolute_path_is_not_repeated() -> None:
    folder = "/" + "srv/bench"
    said = text(replace(SAMPLE, file=f"{folder}/amp.cir"))

    assert folder not in said
    assert "amp.cir" in said


def test_a_sole_pair_is_a_cause_like_any_other() -> None:
    alone = replace(SAMPLE, causes=(PAIR,), groups=())

    assert "Likeliest: C4 leaky with R22 open (21 %)." in text(alone)
