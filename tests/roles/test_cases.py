"""Whole circuits: everything that is expected of each stands in its `.toml`."""

from __future__ import annotations

import re
import tomllib
from typing import Any

import pytest

from netcheck.roles import Role, Roles, recognise

from .circuits import CASES, case_text, circuit_of, disguised

NAMES = sorted(path.stem for path in CASES.glob("*.cir"))
DEMOS = {f"demo {path.stem}": path for path in (CASES.parents[2] / "circuits").glob("*.cir")}
SEEDS = (1, 2, 3)


def expected(name: str) -> dict[str, Any]:
    return tomllib.loads((CASES / f"{name}.toml").read_text(encoding="utf-8"))


def by_part(roles: Roles) -> dict[str, list[str]]:
    table: dict[str, list[str]] = {}
    for role in roles:
        table.setdefault(role.part, []).append(f"{role.name} {role.of}")
    return {part: sorted(found) for part, found in table.items()}


@pytest.mark.parametrize("name", NAMES)
def test_every_part_has_its_roles(name: str) -> None:
    wanted = {part: sorted(found) for part, found in expected(name)["roles"].items()}

    roles = recognise(circuit_of(case_text(name)))

    assert roles.unrecognised == ()
    assert wanted == by_part(roles)


@pytest.mark.parametrize("name", NAMES)
def test_capacitors_and_feedback_join_the_right_nets(name: str) -> None:
    roles = recognise(circuit_of(case_text(name)))

    found = {role.part: f"{role.source_net} > {role.feeds}" for role in roles if role.feeds}

    assert expected(name).get("paths", {}) == found


@pytest.mark.parametrize("name", NAMES)
def test_stages(name: str) -> None:
    roles = recognise(circuit_of(case_text(name)))

    found = []
    for stage in roles.stages:
        entry: dict[str, Any] = {
            "id": stage.id,
            "connection": stage.connection,
            "bias": stage.bias,
        }
        if stage.form:
            entry["form"] = stage.form
        if stage.is_output:
            entry["is_output"] = True
        if stage.sides:
            entry["sides"] = [list(side) for side in stage.sides]
        if stage.alternatives:
            entry["alternatives"] = [f"{o.kind} {o.form}".strip() for o in stage.alternatives]
        found.append(entry)

    assert expected(name)["stages"] == found
    assert all(stage.evidence for stage in roles.stages)


@pytest.mark.parametrize("name", NAMES)
def test_signal_runs_from_the_input_to_the_output(name: str) -> None:
    wanted = expected(name)

    roles = recognise(circuit_of(case_text(name)))

    flow = [
        " ".join((path.source or "input", ">", path.target, path.how, *path.via))
        for path in roles.signal_paths
    ]
    assert sorted(roles.signal_order) == sorted(stage.id for stage in roles.stages)
    assert wanted.get("order", list(roles.signal_order)) == list(roles.signal_order)
    assert wanted.get("flow", flow) == flow


@pytest.mark.parametrize("name", NAMES)
def test_supplies_and_transformers(name: str) -> None:
    wanted = expected(name)

    roles = recognise(circuit_of(case_text(name)))

    transformers = [
        {
            "primaries": {tube: list(path) for tube, path in found.primaries.items()},
            "center_tap": found.center_tap,
            "secondaries": list(found.secondaries),
            "speaker": found.speaker,
            **({"taps": dict(found.taps)} if found.taps else {}),
        }
        for found in roles.transformers
    ]
    supplies = [
        {
            "source": found.source,
            "feed_net": found.feed_net,
            "tubes": list(found.tubes),
            "pot": list(found.pot),
            "divider": list(found.divider),
        }
        for found in roles.bias_supplies
    ]
    assert wanted.get("transformers", []) == transformers
    assert wanted.get("bias", []) == supplies
    assert wanted["rails"] == list(roles.rails)
    assert wanted["input"] == roles.input_source


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", [*NAMES, *DEMOS])
def test_names_and_order_of_lines_play_no_role(name: str, seed: int) -> None:
    text = DEMOS[name].read_text(encoding="utf-8") if name in DEMOS else case_text(name)
    hidden, part_of, net_of = disguised(text, seed)

    plain = recognise(circuit_of(text))
    found = recognise(circuit_of(hidden))

    back = part_of | net_of
    assert {essence(role, {}) for role in plain} == {essence(role, back) for role in found}
    assert stage_facts(plain, {}) == stage_facts(found, back)
    assert transformer_facts(plain, {}) == transformer_facts(found, back)
    assert bias_facts(plain, {}) == bias_facts(found, back)
    assert flow_facts(plain, {}) == flow_facts(found, back)
    assert plain.rails == tuple(back[net] for net in found.rails)
    assert plain.input_source == back[found.input_source or ""]


def old(text: str | None, back: dict[str, str]) -> str:
    """Put old names into a text; names in a list are sorted."""
    renamed = re.sub(
        r"[A-Za-z]\w*", lambda word: back.get(word.group(0), word.group(0)), text or ""
    )
    return re.sub(r"\((.*)\)", lambda m: f"({','.join(sorted(m.group(1).split(',')))})", renamed)


def essence(role: Role, back: dict[str, str]) -> tuple[str | float, ...]:
    words = (role.part, role.name, role.of, role.source_net, role.feeds)
    return (*(old(word, back) for word in words), role.confidence)


def stage_facts(roles: Roles, back: dict[str, str]) -> set[tuple[object, ...]]:
    return {
        (
            old(stage.id, back),
            stage.connection,
            stage.bias,
            stage.form,
            stage.is_output,
            stage.confidence,
            tuple((other.kind, other.form, other.confidence) for other in stage.alternatives),
            frozenset(frozenset(old(ref, back) for ref in side) for side in stage.sides or ()),
        )
        for stage in roles.stages
    }


def flow_facts(roles: Roles, back: dict[str, str]) -> set[tuple[object, ...]]:
    place = {name: index for index, name in enumerate(roles.signal_order)}
    return {
        (
            old(path.source, back),
            old(path.target, back),
            path.how,
            frozenset(old(ref, back) for ref in path.via),
            path.electrode,
            path.pin,
            place.get(path.source, -1) < place[path.target],
        )
        for path in roles.signal_paths
    }


def transformer_facts(roles: Roles, back: dict[str, str]) -> set[tuple[object, ...]]:
    return {
        (
            frozenset(
                (old(tube, back), tuple(old(ref, back) for ref in path))
                for tube, path in found.primaries.items()
            ),
            old(found.center_tap, back),
            frozenset(old(ref, back) for ref in found.secondaries),
            old(found.speaker, back),
            frozenset((old(tube, back), old(net, back)) for tube, net in found.taps.items()),
        )
        for found in roles.transformers
    }


def bias_facts(roles: Roles, back: dict[str, str]) -> set[tuple[object, ...]]:
    return {
        (
            old(found.source, back),
            old(found.feed_net, back),
            frozenset(old(ref, back) for ref in found.tubes),
            tuple(old(ref, back) for ref in found.pot),
            frozenset(old(ref, back) for ref in found.divider),
        )
        for found in roles.bias_supplies
    }
