"""What a tube data file may and may not say."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from pydantic import ValidationError

from netcheck.errors import TubeDataError
from netcheck.tubes.library import load_library
from netcheck.tubes.model import rectifier_law_of
from netcheck.tubes.types import TubeType, tube_type

GOOD: dict[str, Any] = {
    "name": "T1",
    "kind": "triode",
    "power": False,
    "description": "a triode",
    "base": "noval",
    "sections": [{"name": "1", "pins": {"plate": 1, "grid": 2, "cathode": 3}, "source": "sheet"}],
    "heater": {"voltage_v": 6.3, "current_a": 0.3, "source": "sheet"},
    "limits": [
        {
            "quantity": "plate_dissipation_w",
            "value": 1.0,
            "rating_system": "design_center",
            "source": "sheet",
        }
    ],
    "operation": [{"plate_v": 100, "grid_v": -1, "plate_a": 1e-3, "source": "sheet"}],
    "model": {
        "triode": {
            "amplification": 20,
            "exponent": 1.4,
            "perveance": 1e-3,
            "cutoff_sharpness": 100,
            "low_plate_v": 15,
            "source": "sheet",
        },
        "grid": {
            "perveance": 1e-4,
            "exponent": 1.3,
            "sharpness_per_v": 11,
            "source": "sheet",
            "gas_ratio": 1e-5,
            "gas_source": "sheet",
            "leakage_ohm": 1e10,
            "leakage_source": "sheet",
        },
    },
    "sources": {"sheet": "A maker's sheet, 1950"},
}


def _without(path: str) -> dict[str, Any]:
    return _changed(path, None)


def _changed(path: str, value: Any) -> dict[str, Any]:
    """Return GOOD with the item at dotted `path` set, or removed for None."""
    data = copy.deepcopy(GOOD)
    *way, last = (int(step) if step.isdigit() else step for step in path.split("."))
    place: Any = data
    for step in way:
        place = place[step]
    if value is None:
        del place[last]
    else:
        place[last] = value
    return data


def test_good_file_reads_with_its_sources_spelled_out() -> None:
    tube = tube_type(GOOD, "T1.toml")

    assert tube.limits[0].source == "A maker's sheet, 1950"
    assert tube.electrodes == ("plate", "grid", "cathode")


@pytest.mark.parametrize(
    "path",
    [
        "limits.0.source",
        "heater.source",
        "sections.0.source",
        "operation.0.source",
        "model.triode.source",
        "model.grid.gas_source",
        "model.grid.leakage_source",
    ],
)
@pytest.mark.parametrize("value", [None, "", "  ", "another"])
def test_a_number_without_a_sheet_is_refused(path: str, value: str | None) -> None:
    with pytest.raises(TubeDataError) as caught:
        tube_type(_changed(path, value), "T1.toml")

    assert str(caught.value).startswith(f"T1.toml: {path}: ")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (_without("sources"), "T1.toml: sources: "),
        (_changed("sources.sheet", " "), "T1.toml: sources.sheet: "),
        (_without("name"), "T1.toml: name: "),
        (_changed("limits.0.quantity", "plate_watts"), "T1.toml: limits.0.quantity: "),
        (_changed("limits.0.value", -1), "T1.toml: limits.0.value: "),
        (_changed("limits.0.value", float("nan")), "T1.toml: limits.0.value: "),
        (_changed("limits.0.colour", "red"), "T1.toml: limits.0.colour: "),
        (_changed("limits.0.condition", "hot"), "T1.toml: limits.0.condition: "),
        (_changed("limits.0.used", False), "T1.toml: limits: plate_dissipation_w (any): 0 rows"),
        (
            _changed("limits", [*GOOD["limits"] * 2]),
            "T1.toml: limits: plate_dissipation_w (any): 2",
        ),
        (_changed("kind", "pentode"), "T1.toml: model: exactly [model.pentode]"),
        (_without("sections.0.pins.grid"), "T1.toml: sections: 1: no pin for grid"),
        (_changed("operation.0.screen_v", 100), "T1.toml: operation.0.screen_v: "),
        (_without("operation.0.plate_a"), "T1.toml: operation.0: plate_a or cathode_a"),
        (_changed("model.triode.exponent", 3), "T1.toml: model.triode.exponent: "),
    ],
)
def test_a_bad_file_names_the_file_and_the_field(data: dict[str, Any], message: str) -> None:
    with pytest.raises(TubeDataError) as caught:
        tube_type(data, "T1.toml")

    assert str(caught.value).startswith(message)


def test_types_are_frozen() -> None:
    tube = tube_type(GOOD, "T1.toml")

    with pytest.raises(ValidationError):
        tube.name = "T2"


SECTIONS = [section for tube in load_library().all_types() for section in tube.unlike_sections]


@pytest.mark.parametrize(
    "tube",
    [tube for tube in SECTIONS if tube.kind != "rectifier"],
    ids=lambda tube: tube.name,
)
def test_every_type_on_file_can_be_judged(tube: TubeType) -> None:
    quantities = {row.quantity for row in tube.limits if row.used}

    assert {"plate_dissipation_w", "plate_voltage_v"} <= quantities
    assert tube.kind == "triode" or {"screen_dissipation_w", "screen_voltage_v"} <= quantities
    assert {row.name for row in tube.capacitances} == {"grid_plate_f", "input_f", "output_f"}
    smallest = 1e-13 if tube.power or tube.kind == "triode" else 5e-15  # a shielded pentode
    assert all(smallest <= row.value <= 2e-11 for row in tube.capacitances)
    assert all(len(set(s.pins.values())) == len(s.pins) for s in tube.sections)
    assert tube.operation


@pytest.mark.parametrize(
    ("name", "quantity", "condition", "value"),
    [
        ("EL34", "plate_dissipation_w", "zero_signal", 25.0),
        ("EL34", "plate_dissipation_w", "with_signal", 27.5),
        ("EL84", "plate_dissipation_w", "any", 12.0),
        ("EL84", "screen_dissipation_w", "any", 2.0),
        ("EL84", "screen_dissipation_w", "speech_peak", 4.0),
        ("EL84", "plate_voltage_v", "cold", 550.0),
        ("KT88", "plate_plus_screen_dissipation_w", "any", 40.0),
        ("6SN7GT", "plate_dissipation_w", "any", 2.5),
        ("6SN7GTB", "plate_dissipation_w", "any", 5.0),
        ("6SN7GTB", "both_plates_dissipation_w", "any", 7.5),
        ("6L6", "plate_dissipation_w", "any", 19.0),
        ("6L6GC", "plate_dissipation_w", "any", 30.0),
    ],
)
def test_limits_in_use(name: str, quantity: Any, condition: Any, value: float) -> None:
    tube = load_library().find(name)

    assert tube.limit(quantity, condition).value == value


DIODE: dict[str, Any] = {
    "name": "D1",
    "kind": "rectifier",
    "description": "full-wave rectifier",
    "power": True,
    "base": "octal",
    "sections": [
        {"name": "1", "pins": {"plate": 4, "plate_2": 6, "cathode": 8}, "source": "sheet"}
    ],
    "heater": {"voltage_v": 5, "current_a": 2, "source": "sheet"},
    "limits": [
        {
            "quantity": "output_current_a",
            "value": 0.1,
            "rating_system": "design_center",
            "source": "sheet",
        }
    ],
    "drops": [{"drop_v": 50, "plate_a": 0.1, "source": "sheet"}],
    "sources": {"sheet": "A maker's sheet, 1950"},
}


def test_a_rectifier_takes_its_law_from_the_drop_in_use() -> None:
    tube = tube_type(DIODE, "D1.toml")
    law = rectifier_law_of(tube)

    assert tube.electrodes == ("plate", "plate_2", "cathode")
    assert float(law.drop_v(0.1)) == pytest.approx(50.0)
    assert float(law.drop_v(0.2)) == pytest.approx(50.0 * 2 ** (2 / 3))
    assert float(law.current_a(50.0)) == pytest.approx(0.1, rel=1e-6)
    with pytest.raises(TypeError, match="D1 is a rectifier: it has no grid"):
        _ = tube.law


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"drops": []}, "D1.toml: drops: exactly one row"),
        ({"drops": [{**DIODE["drops"][0], "used": False}]}, "D1.toml: drops: exactly one row"),
        ({"drops": DIODE["drops"] * 2}, "D1.toml: drops: exactly one row"),
        ({"drops": [{"drop_v": 50, "plate_a": 0.1}]}, "D1.toml: drops.0.source: "),
        ({"operation": GOOD["operation"]}, "D1.toml: operation: a rectifier has drops"),
        ({"model": GOOD["model"]}, "D1.toml: model: the law of a rectifier"),
        ({"companion": {**DIODE}}, "D1.toml: companion: one other section of another kind"),
    ],
)
def test_a_bad_rectifier_names_the_field(change: dict[str, Any], message: str) -> None:
    with pytest.raises(TubeDataError) as caught:
        tube_type({**DIODE, **change}, "D1.toml")

    assert str(caught.value).startswith(message)


def test_drops_are_for_rectifiers_only() -> None:
    with pytest.raises(TubeDataError, match="drops: for rectifiers only"):
        tube_type({**GOOD, "drops": DIODE["drops"]}, "T1.toml")


def test_a_companion_shares_heater_and_base_and_checks_its_own_sources() -> None:
    other = {key: GOOD[key] for key in ("limits", "operation", "model", "sections")}
    other |= {"name": "D1 triode", "kind": "triode", "power": False, "description": "the other"}

    tube = tube_type({**DIODE, "companion": other}, "D1.toml")

    assert tube.companion.heater == tube.heater
    assert tube.companion.limits[0].source == "A maker's sheet, 1950"
    assert tube.with_nodes(2) == (tube, ("plate", "cathode"))
    bad = {**other, "limits": [{**GOOD["limits"][0], "source": "none"}]}
    with pytest.raises(TubeDataError, match=r"^D1.toml: companion.limits.0.source: "):
        tube_type({**DIODE, "companion": bad}, "D1.toml")


ALIASES = {
    "EL84": "6BQ5", "EL34": "6CA7", "EL86": "6CW5", "6V6GT": "", "6L6GC": "", "6L6GB": "",
    "5881": "", "6550": "", "KT66": "", "KT88": "", "6AQ5": "", "6F6": "", "807": "", "7591": "",
    "6973": "", "7027A": "", "ECL82": "6BM8", "ECL86": "6GW8", "2A3": "", "300B": "", "45": "",
    "12AX7": "ECC83", "12AU7": "ECC82", "12AT7": "ECC81", "12AY7": "", "5751": "", "6SN7GT": "",
    "6SL7GT": "", "12BH7A": "", "6DJ8": "ECC88", "6CG7": "", "EF86": "6267", "6SJ7": "",
    "6AU6": "", "5Y3GT": "", "5U4GB": "", "GZ34": "5AR4", "EZ80": "6V4", "EZ81": "6CA4",
    "6X4": "", "5V4G": "", "6922": "E88CC", "ECC85": "6AQ8", "6J5GT": "6J5", "6C4": "EC90",
    "5814A": "", "6AV6": "EBC91", "6AT6": "EBC90", "6SQ7": "6SQ7GT", "5687": "", "6N1P": "",
    "6N2P": "", "6AS7G": "6080", "7189": "", "7189A": "", "PL84": "", "UL84": "45B5",
    "6K6GT": "", "35L6GT": "", "50L6GT": "", "35C5": "", "50C5": "", "6AS5": "", "6P3S": "",
    "KT77": "", "KT90": "", "KT120": "", "KT150": "", "EF80": "6BX6", "6U8A": "ECF82",
    "ECF80": "6BL8", "7199": "", "6AN8": "", "6X5GT": "EZ35", "5R4GY": "5R4", "35W4": "",
    "35Z5GT": "35Z5",
}  # fmt: skip


@pytest.mark.parametrize(("name", "alias"), ALIASES.items())
def test_every_type_is_found_by_its_names(name: str, alias: str) -> None:
    library = load_library()

    assert library.lookup(name).warning == ""
    assert library.find(alias or name) is library.find(name)
    assert library.find(name).name == name
