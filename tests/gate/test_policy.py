"""The policy: found upward, laid over the default, its mistakes told with their line."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest

from netcheck.errors import ManyErrors, NetcheckError
from netcheck.gate import policy as policies
from netcheck.gate.policy import (
    default_policy,
    default_text,
    find_policy,
    parse_policy,
    policy_schema,
)

SCHEMA = Path(policies.__file__).parent / "schema" / "policy.schema.json"


def error_of(text: str) -> NetcheckError:
    with pytest.raises(NetcheckError) as caught:
        parse_policy(text)
    return caught.value


def test_the_published_schema_is_that_of_the_models(remake_golden: bool) -> None:
    text = json.dumps(policy_schema(), indent=1) + "\n"
    if remake_golden:
        SCHEMA.write_text(text, encoding="utf-8")

    assert text == SCHEMA.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "text", [default_text(), "", '[limits]\nidle = "90%"\n', '[wiring.codes]\nno-load = "error"\n']
)
def test_what_the_program_takes_the_schema_takes(text: str) -> None:
    schema = policies.stored_schema()
    jsonschema.Draft202012Validator.check_schema(schema)

    parse_policy(text)
    jsonschema.validate(tomllib.loads(text), schema, cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize("text", ["idle = 1", '[limits]\nidle = "lots"', '[[tipping]]\nname = "a"'])
def test_what_the_program_refuses_the_schema_refuses(text: str) -> None:
    error_of(text)

    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(
            tomllib.loads(text), policies.stored_schema(), cls=jsonschema.Draft202012Validator
        )


def test_keys_are_laid_over_the_default_and_lists_replace() -> None:
    policy = parse_policy('[limits]\nidle = "90%"\n[[tipping]]\nname="t"\nharmless_to="5%"\n')

    assert (policy.limits.idle, policy.limits.driven) == (0.9, 1.05)
    assert [rule.name for rule in policy.tipping] == ["t"]
    assert (policy.tipping[0].harmless_to.value, policy.tipping[0].harmless_to.unit) == (5.0, "%")
    assert policy.faults == default_policy().faults


@pytest.mark.parametrize(
    ("text", "line", "message", "hint"),
    [
        ('[limits]\nidel = "9%"', 2, "limits.idel: a policy has no such key", "is `idle` meant?"),
        ('[limits]\n\nidle = 1.05', 3, "percentage, such as", ""),
        ('[limits]\nidle = "-5%"', 2, "more than zero", ""),
        ('[[faults]]\nname="a"\nmax_ratio="any"\n[[faults]]\nname="b"\nmax_ratio="x%"', 6,
         "faults.2.max_ratio", ""),
        ('[[tipping]]\nname = "a"\nharmless_to = "20"', 3, "size with its unit", ""),
        ('[[tipping]]\nname = "a"\nharmless_to = "20M"', 3, "size with its unit", ""),
        ('[[tipping]]\nname = "a"', 1, "harmless_to: this is needed", ""),
        ('[[waivers]]\nreason = "long enough"\nexpires = 2030-01-01', 1, "names a part", ""),
        ('[[waivers]]\npart = "R1"\nreason = "no"\nexpires = 2030-01-01', 3, "8 characters", ""),
        ('[[waivers]]\npart="R1"\nreason="long enough"\nexpires="soon"', 4, "expires", ""),
        ('[[faults]]\nname="a"\nrole=["coupling_capasitor"]\nmax_ratio="any"', 3,
         "no role is called `coupling_capasitor`; is `coupling_capacitor` meant?", ""),
        ('[[faults]]\nname="a"\nmax_ratio="any"\nkind=["wrongvalue"]', 4,
         "no kind of fault is called `wrongvalue`; is `wrong_value` meant?", ""),
        ('[[faults]]\nname="a"\nmax_ratio="any"\nkind=["drifted_up"]', 4,
         "no kind of fault is called `drifted_up`; is `drifted` meant?", ""),
        ('[[faults]]\nname="a"\nmax_ratio="any"\nkind=["xyzzy"]', 4,
         "`xyzzy`; `netcheck faults` lists them", ""),
        ('[[tipping]]\nname="a"\nkind=["leeky"]\nharmless_to="1Mohm"', 3,
         "no kind of fault is called `leeky`; is `leaky` meant?", ""),
        ('[[faults]]\nname="a"\nconditions=["driven"]\nmax_ratio="any"', 3,
         "no condition is called `driven`; ", ""),
        ('[wiring.codes]\nno-laod = "error"', 2,
         "no finding is called `no-laod`; is `no-load` meant?", ""),
        ('conditions = ["driven"]', 0, "has to hold", ""),
        ('not_solved = "maybe"', 1, "not_solved: this should be", ""),
        ('[wiring.codes]\nno-load = "off"', 2, "wiring.codes.no-load", ""),
        ('a = = 1', 1, "this is not TOML", ""),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_line(text: str, line: int, message: str, hint: str) -> None:
    error = error_of(text)

    assert (error.span.line if error.span else 0) == line
    assert message in error.message
    assert hint in error.hint
    assert "pydantic" not in str(error)


def test_a_role_may_be_a_pattern() -> None:
    policy = parse_policy('[[faults]]\nname="a"\nrole=["*_Capacitor"]\nmax_ratio="any"\n')

    assert policy.faults[0].role == ("*_Capacitor",)


def test_a_kind_may_be_a_pattern_and_a_sweep_has_words_of_its_own() -> None:
    fault = parse_policy('[[faults]]\nname="a"\nkind=["*_Open"]\nmax_ratio="any"\n')
    tipping = parse_policy('[[tipping]]\nname="a"\nkind=["drifted_up"]\nharmless_to="20%"\n')

    assert fault.faults[0].kind == ("*_Open",)
    assert tipping.tipping[0].kind == ("drifted_up",)


def test_all_mistakes_are_told_at_once_in_the_order_of_the_file() -> None:
    error = error_of('[limits]\nidle = 1\ncold = "5%"\n[wiring]\nnote = "loud"\n')

    assert isinstance(error, ManyErrors)
    assert [one.span.line for one in error.errors if one.span] == [2, 3, 5]


def test_the_nearest_file_upward_is_taken(tmp_path: Path) -> None:
    inner = tmp_path / "a" / "b"
    inner.mkdir(parents=True)
    (tmp_path / "pyproject.toml").write_text(
        '[tool.netcheck.gate]\n[tool.netcheck.gate.limits]\nidle = "80%"\n'
    )
    (tmp_path / "a" / "pyproject.toml").write_text('[project]\nname = "x"\n')

    outer = find_policy(None, inner)
    (tmp_path / "a" / "netcheck.toml").write_text('[limits]\nidle = "70%"\n')
    nearer = find_policy(None, inner)
    named = find_policy(tmp_path / "pyproject.toml", inner)

    assert (outer.name, outer.policy.limits.idle) == ("pyproject.toml", 0.8)
    assert (nearer.name, nearer.policy.limits.idle) == ("netcheck.toml", 0.7)
    assert named.policy.limits.idle == 0.8


def test_a_mistake_in_a_pyproject_has_its_line_too(tmp_path: Path) -> None:
    file = tmp_path / "pyproject.toml"
    file.write_text('[project]\nidle = "x"\n[tool.netcheck.gate.limits]\nidle = "x"\n')

    with pytest.raises(NetcheckError) as caught:
        find_policy(file, tmp_path)

    assert caught.value.span is not None
    assert caught.value.span.line == 4


def test_a_named_file_without_a_policy_is_an_error(tmp_path: Path) -> None:
    file = tmp_path / "pyproject.toml"
    file.write_text("[project]\n")

    with pytest.raises(NetcheckError, match=r"has no table \[tool.netcheck.gate\]"):
        find_policy(file, tmp_path)
    with pytest.raises(NetcheckError, match="cannot read"):
        find_policy(tmp_path / "none.toml", tmp_path)
