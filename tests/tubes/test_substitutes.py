"""What else fits a socket: the rows agree with the pins and heaters on file."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import pytest

from netcheck.likelihoods import LIKELIHOOD_CLASSES
from netcheck.tubes.library import load_library
from netcheck.tubes.substitutes import Substitute, substitutes_for

DATA = tomllib.loads((files("netcheck.tubes") / "substitutes.toml").read_text(encoding="utf-8"))
ON_FILE = set(load_library().names)
PAIRS = [
    (original, row)
    for row in DATA["substitute"]
    for original in row["in_place_of"]
    if {original, row["type"]} <= ON_FILE
]
ELECTRODES = ("plate", "plates", "plate2", "screen", "grid", "cathode")


def one(original: str, other: str) -> Substitute:
    (found,) = [each for each in substitutes_for(original) if each.type == other]
    return found


@pytest.mark.parametrize(("original", "row"), PAIRS, ids=lambda v: v if isinstance(v, str) else "")
def test_same_pins_is_what_the_data_files_say(original: str, row: dict[str, object]) -> None:
    library = load_library()
    socket = [
        sorted((e, pin) for e, pin in section.pins.items() if e in ELECTRODES)
        for section in library.find(original).sections
    ]
    plugged = [
        sorted((e, pin) for e, pin in section.pins.items() if e in ELECTRODES)
        for section in library.find(str(row["type"])).sections
    ]

    assert (socket == plugged) == row["same_pins"]


@pytest.mark.parametrize(("original", "row"), PAIRS, ids=lambda v: v if isinstance(v, str) else "")
def test_no_pair_is_listed_twice(original: str, row: dict[str, object]) -> None:
    alike = [(o, r) for o, r in PAIRS if (o, r["type"]) == (original, row["type"])]

    assert len(alike) == 1
    assert original != row["type"]


def test_every_row_has_a_remark_a_class_and_a_source() -> None:
    for row in DATA["substitute"]:
        assert row["note"].strip()
        assert row["likelihood"] in LIKELIHOOD_CLASSES
        assert DATA["sources"][row["source"]].strip()


def test_every_type_named_is_a_name_of_the_library() -> None:
    """An alias or a slip would silently never be found."""
    named = {row["type"] for row in DATA["substitute"]}
    named |= {name for row in DATA["substitute"] for name in row["in_place_of"]}

    assert named <= ON_FILE


@pytest.mark.parametrize(
    ("original", "other"),
    [
        ("6V6GT", "6L6GC"),
        ("6L6GC", "EL34"),
        ("12AX7", "12AT7"),
        ("12AX7", "12AU7"),
        ("12AX7", "5751"),
        ("12AX7", "12AY7"),
        ("6L6GC", "6L6GB"),
        ("6L6GC", "5881"),
        ("EL34", "KT88"),
        ("EL84", "EL86"),
        ("6SN7GT", "6SL7GT"),
        ("5Y3GT", "GZ34"),
        ("5Y3GT", "5U4GB"),
        ("GZ34", "5U4GB"),
    ],
)
def test_the_usual_mistakes_are_listed(original: str, other: str) -> None:
    assert one(original, other).same_pins


def test_an_alias_has_the_substitutes_of_its_type_and_an_unknown_name_none() -> None:
    assert substitutes_for("ecc83") == substitutes_for("12AX7") != ()
    assert substitutes_for("OPAMP") == ()


def test_likeliest_first() -> None:
    for name in ON_FILE:
        places = [LIKELIHOOD_CLASSES.index(each.likelihood) for each in substitutes_for(name)]
        assert places == sorted(places)


def test_heaters_are_compared_from_the_data_files() -> None:
    """6L6GC 0.9 A, EL34 1.5 A (their data files); a 12AX7 is not warm on 6.3 V at 4 and 5."""
    assert one("6L6GC", "EL34").heater == "1.5 A in place of 900 mA"
    assert one("12AX7", "12AT7").heater == ""
    assert one("6L6GC", "EL34").same_heater_pins
    assert not one("6DJ8", "12AX7").same_heater_pins
    assert not one("300B", "2A3").same_heater_pins
