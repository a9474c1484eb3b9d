"""The words that text, page and drawing of a diagnosis share."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from sample_diagnosis import INF, LEAK, NAN, OPEN, READINGS, SAMPLE, many

from netcheck.models.diagnosis import Explained, GroupLine
from netcheck.report import diagnosis_words as words


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.0, "< 1 %"), (0.0099, "< 1 %"), (0.01, "1 %"), (0.614, "61 %"), (0.994, "99 %"),
     (0.996, "> 99 %"), (1.0, "> 99 %"), (NAN, "?")],
)  # fmt: skip
def test_a_probability_is_whole_percents_and_never_certain(share: float, said: str) -> None:
    assert words.percent(share) == said


@pytest.mark.parametrize(
    ("situation", "said"),
    [("tubes_out", "with the tubes out"), ("mains_40", "at 40 % of the mains"),
     ("idle", "at idle"), ("full_drive", "full drive")],
)  # fmt: skip
def test_situations_are_said_as_on_the_bench(situation: str, said: str) -> None:
    assert words.situation_words(situation) == said


@pytest.mark.parametrize(
    ("value", "nominal", "unit", "said"),
    [(-31.0, -38.0, "V", "less negative"), (-45.0, -38.0, "V", "more negative"),
     (3.0, -38.0, "V", "less negative"), (300.0, 280.0, "V", "too high"),
     (1e3, 2e3, "ohm", "too low"), (INF, 2e3, "ohm", "too high"), (5.0, 5.0, "V", ""),
     (1.0, NAN, None, "")],
)  # fmt: skip
def test_the_side_of_a_negative_value_cannot_be_misread(
    value: float, nominal: float, unit: words.SheetUnit | None, said: str
) -> None:
    assert words.side_words(value, nominal, unit) == said


@pytest.mark.parametrize(
    ("away", "said"),
    [(0.0, "as expected, 0 sd"), (-1.6, "as expected, 1.6 sd"), (1.7, "a little off"),
     (-3.1, "off: "), (6.2, "far off: "), (INF, "over 1000 sd"), (-INF, "over 1000 sd")],
)  # fmt: skip
def test_how_far_off_is_said_in_words_and_deviations(away: float, said: str) -> None:
    assert said in words.off_words(replace(READINGS[0], away=away))


def test_a_ripple_is_yes_or_no_and_has_no_figure() -> None:
    yes = READINGS[2]
    no = replace(yes, value=0.0)

    assert words.value_words(yes.value, yes.unit) == "yes"
    assert words.value_words(no.value, no.unit) == "no"
    assert words.expected_words(yes) == "-"
    assert words.off_words(yes) == "a sound unit has no figure for this"
    assert not words.is_off(yes)


def test_an_open_circuit_is_said_as_one() -> None:
    assert words.value_words(INF, "ohm") == "open"
    assert words.with_band(INF, 1e6, INF, "ohm") == "open (1 Mohm to open)"


def test_a_reading_names_the_situation_where_it_is_not_the_usual_one() -> None:
    assert [words.reading_name(line) for line in READINGS] == [
        "V(g4)", "R(g4)", "ripple(ht)", "I(R24)", "V(p4,ht) with the tubes out",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("cause", "name"),
    [("C4/leaky", "C4 leaky"), ("no_fault", "no fault"), ("none_of_these", "none of these"),
     ("C5+C6/swapped_parts", "C5+C6 swapped parts"),
     ("C4/leaky & R22/open", "C4 leaky with R22 open")],
)  # fmt: skip
def test_causes_have_short_names(cause: str, name: str) -> None:
    assert words.short_name(cause) == name


@pytest.mark.parametrize(
    ("splits", "said"),
    [("tubes_out/grid/X4", "C4 leaky and R22 open: no reading so far splits these; "
      "V(g4) with the tubes out would"),
     ("idle/plate/X9", "C4 leaky and R22 open: no reading so far splits these; "
      "plate X9 at idle would"),
     ("", "C4 leaky and R22 open: no reading so far splits these, and none that can be made "
      "would")],
)  # fmt: skip
def test_a_group_is_a_sentence(splits: str, said: str) -> None:
    group = GroupLine(1, 0.5, ("C4/leaky", "R22/open"), splits)

    assert words.group_words(group, {one.id: one for one in SAMPLE.probes}) == said


def test_a_large_group_counts_who_it_does_not_name() -> None:
    group = GroupLine(1, 0.5, tuple(f"R{n}/open" for n in range(20)))

    said = words.group_words(group, {})

    assert "R5 open" in said
    assert "R6 open" not in said
    assert "14 more" in said


@pytest.mark.parametrize(
    ("explained", "said"),
    [(Explained(-31.6, -33.0, -30.1, 0.3), "expects -31.6 V (-33 V to -30.1 V): fits, 0.3 sd off"),
     (Explained(-35.0, -36.0, -34.0, -2.0), "fits poorly"),
     (Explained(-38.0, -40.0, -36.0, 5.0), "does not fit"),
     (Explained(NAN, NAN, NAN, NAN, 0.125), "12 % of units with it answer so"),
     (Explained(NAN, NAN, NAN, NAN), "not solved")],
)  # fmt: skip
def test_how_a_cause_explains_a_reading(explained: Explained, said: str) -> None:
    assert said in words.fit_words(explained, "V")


def test_an_account_of_other_readings_is_our_bug() -> None:
    with pytest.raises(ValueError, match="shorter"):
        list(words.accounts(READINGS, LEAK.explained[:2]))


def test_what_is_not_listed_is_counted() -> None:
    causes = many().causes
    hidden = causes[:-2][12:]

    said = words.hidden_words(causes, 12)

    assert said.startswith(f"{len(hidden)} more causes, each below 1 %")
    assert words.percent(math.fsum(one.probability for one in hidden)) in said
    assert words.hidden_words(causes, len(causes)) == ""


def test_a_size_has_its_range_where_it_has_one() -> None:
    assert words.size_words(LEAK) == "3.2 Mohm (2 Mohm to 5 Mohm)"
    assert words.size_words(replace(LEAK, smallest="3.2 Mohm", largest="3.2 Mohm")) == "3.2 Mohm"
    assert words.size_words(OPEN) == ""
