"""Evidence other than readings: as text, against the circuit, and how it weighs."""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcheck.circuit.build import build_circuit
from netcheck.circuit.model import Circuit
from netcheck.diagnose import evidence_rules as rules
from netcheck.diagnose.evidence import (
    EVIDENCE_KINDS,
    Evidence,
    Signs,
    check_evidence,
    evidence_likelihood,
    parse_evidence,
    unmodelled_likelihood,
)
from netcheck.diagnose.evidence_rules import fuse_share, glow_share
from netcheck.errors import NetcheckError
from netcheck.faults import FAULT_KINDS, list_faults
from netcheck.faults.base import Fault, FaultKind
from netcheck.netlist import read_netlist_text
from netcheck.pipeline import load_circuit
from netcheck.roles import recognise
from netcheck.roles.base import Roles
from netcheck.tubes.library import load_library

HERE = Path(__file__).parents[2]
WORDS = {kind: tuple(table) for kind, table in rules.UNMODELLED.items()}
OF_A_PART = ("glow", "smell", "discolored", "swap")
SOUND = Signs({"X1": 0.3, "X4": 0.7, "X5": 0.7}, {"R18": 0.3, "R24": 0.01, "R26": 0.0}, {})
NOTHING = Signs({}, {}, {})

El34 = tuple[Circuit, Roles, dict[str, Fault]]


@cache
def loaded(path: str) -> El34:
    circuit = load_circuit(HERE / path)
    roles = recognise(circuit)
    return circuit, roles, {fault.id: fault for fault in list_faults(circuit, roles)}


def el34() -> El34:
    return loaded("circuits/el34_pair_fixed_bias.cir")


def fused_pair() -> El34:
    return loaded("tests/roles/cases/rectifier_and_standby_pair.cir")


def chance(text: str, fault: str = "", signs: Signs = SOUND, of: El34 | None = None) -> float:
    circuit, roles, faults = of or el34()
    known = faults[fault] if fault else None
    return evidence_likelihood(parse_evidence(text), known, signs, circuit, roles)


def plates(x4: float, x5: float = 0.7) -> Signs:
    return Signs({"X4": x4, "X5": x5}, {}, {})


def any_evidence() -> st.SearchStrategy[Evidence]:
    refs = st.from_regex(r"[A-Za-z][A-Za-z0-9_.]{0,8}", fullmatch=True)

    def of(kind: str) -> st.SearchStrategy[Evidence]:
        part = refs if kind in OF_A_PART else refs | st.just("") if kind == "fuse" else st.just("")
        return st.builds(Evidence, st.just(kind), part, st.sampled_from(WORDS[kind]))

    return st.sampled_from(EVIDENCE_KINDS).flatmap(of)


# As text


@given(any_evidence())
def test_evidence_is_read_as_it_is_written(evidence: Evidence) -> None:
    assert parse_evidence(evidence.text) == evidence


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (" Glow( X4 ) = YES ", Evidence("glow", "X4", "yes")),
        ("discoloured(R24)=no", Evidence("discolored", "R24", "no")),
        ("fuse=blown", Evidence("fuse", "", "blown")),
        ("fuse(F1)=whole", Evidence("fuse", "F1", "whole")),
        ("recent=new output-transformer", Evidence("recent", "", "new_output_transformer")),
        ("swap(X4)=changed sides", Evidence("swap", "X4", "changed_sides")),
    ],
)
def test_spellings_that_people_use_are_read(text: str, expected: Evidence) -> None:
    assert parse_evidence(text) == expected


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("", "such as glow(X4)=yes"),
        ("glow(X4)", "such as glow(X4)=yes"),
        ("glow(X4)=yes=no", "such as glow(X4)=yes"),
        ("hum(=yes", "such as glow(X4)=yes"),
        ("glwo(X4)=yes", "did you mean `glow`?"),
        ("colour(R24)=yes", "discolored"),
        ("ticks(R24)=yes", "one of glow, fuse"),
        ("glow=yes", "such as glow(X4)=yes"),
        ("smell=yes", "such as smell(R24)=yes"),
        ("hum(X4)=yes", "write hum=yes"),
        ("recent(X4)=new_tubes", "write recent=new_tubes"),
        ("recent=new_tube", "did you mean `new_tubes`?"),
        ("swap(X4)=folowed", "did you mean `followed`?"),
        ("fuse=ok", "one of blown, whole"),
    ],
)
def test_what_is_no_evidence_is_one_error_with_a_way_out(text: str, hint: str) -> None:
    with pytest.raises(NetcheckError) as caught:
        parse_evidence(text)

    assert hint in caught.value.hint


@given(st.text(max_size=40) | st.text(alphabet="glowfuseX4()= yn", max_size=20))
def test_no_text_ends_in_a_traceback(text: str) -> None:
    hint = ""
    try:
        evidence = parse_evidence(text)
    except NetcheckError as error:
        hint = error.hint
    assert hint or parse_evidence(evidence.text) == evidence


@given(any_evidence())
def test_a_sentence_names_the_part(evidence: Evidence) -> None:
    assert evidence.words.endswith(".")
    assert "{" not in evidence.words
    assert evidence.part in evidence.words


# Against the circuit


@pytest.mark.parametrize(
    "text",
    ["glow(X4)=yes", "fuse=blown", "hum=no", "smell(R24)=yes", "discolored(L1)=no",
     "smell(C20)=yes", "swap(X4)=followed", "swap(X2)=cured", "recent=bias_adjusted",
     "recent=new_output_transformer"],
)  # fmt: skip
def test_what_the_circuit_has_is_accepted(text: str) -> None:
    circuit, roles, _ = el34()

    check_evidence(parse_evidence(text), circuit, roles)


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("glow(x4)=yes", "did you mean `X4`?"),
        ("glow(Q99)=yes", "it has X1, X2, X3, X4, X5"),
        ("glow(R24)=yes", "it has X1, X2, X3, X4, X5"),
        ("glow(V2)=yes", "V2 is the bulb of X2 and X3"),
        ("smell(X4)=yes", "glow(X4)=yes"),
        ("smell(VHT)=yes", "resistor, inductor or capacitor"),
        ("fuse(R24)=blown", "write fuse=blown"),
        ("swap(R24)=cured", "it has X1"),
        ("swap(X1)=followed", "swap(X1)=cured"),
        ("swap(X2)=stayed", "swap(X2)=no_change"),
    ],
)
def test_what_it_does_not_have_is_one_error_with_what_would_do(text: str, hint: str) -> None:
    circuit, roles, _ = el34()
    with pytest.raises(NetcheckError) as caught:
        check_evidence(parse_evidence(text), circuit, roles)

    assert hint in caught.value.hint


def test_a_fuse_of_the_netlist_can_be_named() -> None:
    circuit, roles, _ = fused_pair()
    check_evidence(parse_evidence("fuse(R2)=blown"), circuit, roles)

    with pytest.raises(NetcheckError) as caught:
        check_evidence(parse_evidence("fuse(R1)=blown"), circuit, roles)
    assert "its fuses are R2" in caught.value.hint


@pytest.mark.parametrize("word", ["bias_adjusted", "new_output_transformer"])
def test_work_on_what_a_preamp_does_not_have_is_an_error(word: str) -> None:
    circuit, roles, _ = loaded("circuits/12ax7_preamp.cir")

    with pytest.raises(NetcheckError, match="the circuit has no"):
        check_evidence(parse_evidence(f"recent={word}"), circuit, roles)


# Bounds


@given(
    any_evidence(),
    st.floats(0.0, 1e6) | st.sampled_from([math.inf, math.nan]),
    st.integers(0, 10**6),
)
def test_no_evidence_is_surer_than_98_percent_and_yes_and_no_add_up(
    evidence: Evidence, ratio: float, pick: int
) -> None:
    circuit, roles, faults = el34()
    part = "X4" if evidence.kind in ("glow", "swap") else "R18"
    known = [None, *faults.values()][pick % (len(faults) + 1)]
    signs = Signs({"X4": ratio, "X5": 0.7}, {"R18": ratio}, {})
    of_part = evidence.kind in OF_A_PART
    asked = Evidence(evidence.kind, part if of_part else "", evidence.word)

    actual = evidence_likelihood(asked, known, signs, circuit, roles)

    assert 0.02 <= actual <= 0.98
    if evidence.kind not in ("swap", "recent"):
        both = [
            evidence_likelihood(
                Evidence(asked.kind, asked.part, word), known, signs, circuit, roles
            )
            for word in WORDS[asked.kind]
        ]
        assert sum(both) == pytest.approx(1.0)


@pytest.mark.parametrize("path", sorted((HERE / "circuits").glob("*.cir")), ids=lambda p: p.stem)
def test_every_fault_of_every_circuit_can_be_weighed(path: Path) -> None:
    circuit, roles, faults = loaded(path.relative_to(HERE).as_posix())
    asked = ["fuse=blown", "hum=yes", "swap(X1)=cured", "glow(X1)=yes", "smell(R1)=yes"]
    asked += [f"recent={word}" for word in WORDS["recent"]]

    for fault in (*faults.values(), None):
        for evidence in map(parse_evidence, asked):
            actual = evidence_likelihood(evidence, fault, SOUND, circuit, roles)
            assert 0.02 <= actual <= 0.98


@pytest.mark.parametrize("pair", [("followed", "stayed"), ("cured", "no_change")])
def test_answers_to_one_exchange_leave_room_for_no_more_than_one(pair: tuple[str, str]) -> None:
    for table in rules.SWAPPED.values():
        assert sum(table[word] for word in pair) <= 1.0


def test_what_was_not_solved_weighs_as_a_fault_outside_of_the_catalogue() -> None:
    for text in ("glow(X4)=yes", "smell(R24)=no", "fuse=blown"):
        assert chance(text, "C5/leaky@1Mohm", NOTHING) == unmodelled_likelihood(
            parse_evidence(text)
        )


# Steps


def test_a_plate_glows_where_the_published_table_says() -> None:
    """Visible at 1.0 to 1.9 times the rating in twilight, 1.4 to 2.7 in daylight."""
    assert glow_share(0.9) == 0.0
    assert 0.2 < glow_share(1.5) < 0.6
    assert glow_share(2.7) > 0.95


@pytest.mark.parametrize("text", ["glow(X4)=yes", "smell(R18)=yes", "discolored(R18)=yes",
                                  "smell(L1)=yes", "fuse=blown", "hum=yes"])  # fmt: skip
def test_more_heat_never_makes_a_sign_less_likely(text: str) -> None:
    values = [
        chance(text, "", Signs({"X4": x, "X5": x}, {"R18": x, "L1": x}, {}))
        for x in (0.0, 0.5, 0.9, 1.0, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0, math.inf)
    ]

    assert all(after >= before for before, after in pairwise(values))
    assert values[-1] > 3.0 * values[0]


def test_a_resistor_darkens_before_it_smells() -> None:
    warm = Signs({}, {"R18": 1.2}, {})

    assert chance("discolored(R18)=yes", "", warm) > 0.5 > chance("smell(R18)=yes", "", warm)


def test_a_resistor_that_opened_was_mostly_burnt_though_it_is_cold_now() -> None:
    cold = Signs({}, {"R18": 0.0, "R19": 0.0}, {})

    assert chance("discolored(R18)=yes", "R18/open", cold) == pytest.approx(0.4)
    assert chance("discolored(R19)=yes", "R18/open", cold) < 0.1


def test_a_fuse_lasts_below_the_first_gate_and_opens_above_the_quick_one() -> None:
    """IEC 60127-2: an hour at 1.5 times, within seconds at 2.75."""
    assert fuse_share(1.5) == 0.0
    assert 0.3 < fuse_share(2.1) < 0.9
    assert fuse_share(2.75) == 1.0


def test_a_blown_fuse_speaks_for_what_overloads_it() -> None:
    def blown(times: float) -> float:
        return chance("fuse(R2)=blown", "", Signs({}, {}, {"R2": times}), fused_pair())

    assert blown(3.0) > 10.0 * blown(0.5)
    assert chance("fuse=blown", "", Signs({}, {}, {"R2": 3.0}), fused_pair()) == blown(3.0)


def test_without_a_fuse_in_the_netlist_a_shorted_reservoir_blows_the_one_in_the_mains() -> None:
    assert chance("fuse=blown", "C20/shorted", plates(0.0, 0.0)) == pytest.approx(0.8)
    assert chance("fuse=blown", "", SOUND) < 0.1


def test_a_plate_that_glows_with_music_only_is_not_punished_for_being_cool_at_idle() -> None:
    for fault in ("R40/shorted", "L1/shorted_turns@5%", "C5/unequal_drive@50%",
                  "L3/wrong_impedance@50%", "X4+X5/oscillating"):  # fmt: skip
        assert chance("glow(X4)=yes", fault) == pytest.approx(0.4)
    assert chance("glow(X4)=yes", "R40/open") < 0.05
    assert chance("glow(X4)=yes", "L3/wrong_impedance@200%") < 0.05


def test_a_dead_side_leaves_the_work_to_the_other_tube() -> None:
    for fault in ("C6/open", "R19/open", "X5/screen_open", "L2/winding_open"):
        assert chance("glow(X4)=yes", fault) == pytest.approx(0.4)
        assert chance("glow(X5)=yes", fault) < 0.05


def test_a_driver_that_is_upset_heats_the_pair_and_one_within_tolerance_does_not() -> None:
    assert chance("glow(X4)=yes", "R12/shorted") == pytest.approx(0.4)
    assert chance("glow(X4)=yes", "R12/wrong_value@33kohm") < 0.05


def test_a_damping_resistor_burns_with_music_behind_its_shorted_capacitor() -> None:
    assert chance("smell(R26)=yes", "C26/shorted") == pytest.approx(0.3)
    assert chance("smell(R24)=yes", "C26/shorted") < 0.1


def test_a_leaking_electrolytic_smells_and_a_leaking_coupler_does_not() -> None:
    assert chance("smell(C20)=yes", "C20/leaky@1kohm") == pytest.approx(0.4)
    assert chance("smell(C5)=yes", "C5/leaky@5Mohm") < 0.1


def test_sections_of_one_bulb_glow_as_one() -> None:
    signs = Signs({"X2": 0.2, "X3": 4.0}, {}, {})

    assert chance("glow(X2)=yes", "", signs) == chance("glow(X3)=yes", "", signs)


# Hum


def test_dried_filters_and_leaky_heaters_hum_and_a_wrong_plate_load_does_not() -> None:
    quiet = chance("hum=yes", "R3/drifted@200kohm")
    for fault in ("C20/dried@30%", "C30/open", "X1/heater_cathode_shorted", "L10/shorted"):
        assert chance("hum=yes", fault) >= 5.0 * quiet
    assert chance("hum=yes", "C20/shorted", plates(0.0, 0.0)) < quiet


def test_ripple_cancels_less_in_a_pair_out_of_balance() -> None:
    level, apart = chance("hum=yes", "", plates(0.7, 0.7)), chance("hum=yes", "", plates(0.9, 0.1))

    assert apart > 2.0 * level


# Exchanged tubes


def test_gas_follows_its_tube_and_a_leaky_coupler_stays() -> None:
    gas, leak = "X4/gassy@0.02%", "C5/leaky@5Mohm"

    assert chance("swap(X4)=followed", gas) > 5.0 * chance("swap(X4)=followed", leak)
    assert chance("swap(X4)=stayed", leak) > 5.0 * chance("swap(X4)=stayed", gas)
    assert chance("swap(X4)=changed_sides", gas) == chance("swap(X4)=followed", gas)


def test_only_the_tube_of_the_socket_is_spoken_for() -> None:
    assert chance("swap(X4)=followed", "X5/gassy@0.02%") < chance(
        "swap(X4)=followed", "X4/gassy@0.02%"
    )
    assert chance("swap(X4)=cured", "X5/gassy@0.02%") < 0.5
    assert chance("swap(X4)=followed", "X1/gassy@0.02%") == pytest.approx(0.1)


def test_when_both_tubes_moved_a_complaint_that_stayed_is_of_neither() -> None:
    for tube in ("X4", "X5"):
        assert chance("swap(X4)=stayed", f"{tube}/gassy@0.02%") == pytest.approx(0.1)


def test_an_oscillation_and_the_bias_supply_do_not_follow_a_tube() -> None:
    for fault in ("X4+X5/oscillating", "VNEG/drifted@80%", "R31+R32/misadjusted@30%"):
        assert chance("swap(X4)=stayed", fault) == pytest.approx(0.9)


@pytest.mark.parametrize("fault", ["C5/leaky@5Mohm", "C5/shorted", "R14/open", "VNEG/lost"])
def test_a_cure_by_another_tube_never_clears_the_circuit(fault: str) -> None:
    """Any tube runs hot on a leaky coupler; a weaker one less, and the leak stays.

    With half of what a gassy tube gets, a cure moves the odds by less than two to one:
    one honest reading of the grid outweighs it.
    """
    assert chance("swap(X4)=cured", fault) >= 0.5 * chance("swap(X4)=cured", "X4/gassy@0.02%")


def test_no_change_with_another_tube_speaks_against_the_old_one() -> None:
    assert chance("swap(X4)=no_change", "C5/leaky@5Mohm") >= 4.0 * chance(
        "swap(X4)=no_change", "X4/gassy@0.02%"
    )


def test_a_twin_tube_takes_both_sections_along() -> None:
    assert chance("swap(X2)=cured", "X3/gassy@0.02%") == chance("swap(X3)=cured", "X3/gassy@0.02%")


def test_a_worn_rectifier_tube_leaves_with_its_bulb() -> None:
    assert chance("swap(X5)=cured", "X5/worn_rectifier", of=fused_pair()) == pytest.approx(0.9)


# Recent work


@pytest.mark.parametrize(
    ("word", "raised", "lowered"),
    [
        ("new_tubes", "X4/wrong_type@KT88", "X4/weak@60%"),
        ("new_tubes", "X4+X5/mismatched@40%", "X4/gassy@0.02%"),
        ("new_tubes", "R31+R32/misadjusted@30%", "X1/interface@200ohm"),
        ("new_capacitors", "C20/reversed", "C5/leaky@5Mohm"),
        ("new_capacitors", "C5/open", "C20/dried@30%"),
        ("new_resistors", "R18/wrong_value@220ohm", "R18/drifted@4.4kohm"),
        ("new_output_transformer", "X4+X5/plates_crossed", "L1/winding_open"),
        ("bias_adjusted", "R31+R32/misadjusted@30%", "VNEG/drifted@80%"),
        ("new_rectifier", "RSRC/silicon_rectifier", "RSRC/worn_rectifier"),
        ("rewired", "R3+R4/swapped", ""),
        ("nothing", "C5/leaky@5Mohm", "R18/wrong_value@220ohm"),
    ],
)
def test_work_raises_its_own_slips_and_lowers_the_wear_it_removed(
    word: str, raised: str, lowered: str
) -> None:
    untouched = chance(f"recent={word}")

    assert chance(f"recent={word}", raised) > 1.4 * untouched
    if lowered:
        assert chance(f"recent={word}", lowered) < 0.7 * untouched


def test_new_tubes_do_not_clear_what_may_have_killed_the_old_ones() -> None:
    for fault in ("C5/shorted", "VNEG/lost", "R14/open"):
        assert chance("recent=new_tubes", fault) == chance("recent=new_tubes")


# Tables


def all_rows() -> list[rules.Row]:
    return [row for rows in rules.ANY_KIND.values() for row in rows]


@pytest.mark.parametrize("kind", FAULT_KINDS, ids=lambda kind: kind.name)
def test_every_sign_has_a_source_and_is_about_words_of_its_kind(kind: FaultKind) -> None:
    for sign in kind.signs:
        assert sign.source.strip()
        assert any(sign.fits(word) for word in kind.words)


def test_no_sign_stands_behind_one_that_is_about_the_same_faults() -> None:
    for kind in FAULT_KINDS:
        for word in kind.words:
            fitting = [(one.about, one.role) for one in kind.signs if one.fits(word)]

            assert len(set(fitting)) == len(fitting), (kind.name, word.name)


def test_every_row_has_a_source_and_is_about_faults_that_exist() -> None:
    for row in all_rows():
        assert row.source.strip()
        assert any(row.fits(kind, word) for kind in FAULT_KINDS for word in kind.words)


def test_no_factor_leaves_the_bounds_of_a_probability() -> None:
    factors = [row.value for row in all_rows()]
    for kind in FAULT_KINDS:
        for sign in kind.signs:
            if sign.about in rules.WORK:
                factors.append(sign.value)
            else:
                assert 0.02 <= sign.value <= 0.98
    for factor in factors:
        assert 0.02 - 1e-12 <= rules.FLAT * factor <= 0.98


def test_a_single_ended_stage_has_no_other_side() -> None:
    library = load_library()
    text = "t\nVHT ht 0 250\nR1 ht p 5k\nX1 p s g k 6V6GT\nR2 ht s 1k\nR3 g 0 470k\nR4 k 0 270\n"
    netlist = read_netlist_text(f"{text}.end\n", "t.cir", Path(), is_tube=library.is_tube)
    circuit = build_circuit(netlist, library)

    with pytest.raises(NetcheckError, match="no other socket"):
        check_evidence(parse_evidence("swap(X1)=followed"), circuit, recognise(circuit))
