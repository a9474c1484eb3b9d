"""How much of the corpus is recognised: every case and every circuit we publish.

That no role is wrong is what the cases' `.toml` files say part by part; here the share
of parts with any role is counted and printed (`pytest -s`).
"""

from __future__ import annotations

from pathlib import Path

from netcheck.circuit.model import Circuit, Part
from netcheck.roles import recognise
from netcheck.roles.table import RoleName

from .circuits import CASES, circuit_of

PUBLISHED = Path(__file__).parents[2] / "circuits"
LEAST_SHARE = 0.98
"""Share of parts with a role that is wanted over the corpus."""
LEAST_CIRCUITS = 30


def corpus() -> dict[str, Circuit]:
    """Return every circuit of the corpus."""
    paths = [*sorted(CASES.glob("*.cir")), *sorted(PUBLISHED.glob("*.cir"))]
    return {path.stem: circuit_of(path.read_text(encoding="utf-8"), path.name) for path in paths}


def without_role(circuit: Circuit) -> list[Part]:
    return [circuit[ref] for ref in recognise(circuit).unrecognised]


def test_nearly_all_parts_have_a_role() -> None:
    circuits = corpus()
    missing = {name: without_role(circuit) for name, circuit in circuits.items()}
    parts = sum(len(circuit.parts) for circuit in circuits.values())

    bare = sum(map(len, missing.values()))
    share = 1.0 - bare / parts

    print(f"\n  {len(circuits)} circuits, {parts} parts, {share:.2%} with a role", end="")
    for name, found in missing.items():
        for part in found:
            print(f"\n  {name}: {part.ref} ({part.kind}) between {' and '.join(part.nets)}", end="")
    assert len(circuits) >= LEAST_CIRCUITS
    assert share >= LEAST_SHARE


def test_every_role_has_a_listed_name_a_reason_and_a_known_part() -> None:
    for circuit in corpus().values():
        roles = recognise(circuit)

        assert {role.name for role in roles} <= set(RoleName)
        assert all(role.why and 0.0 < role.confidence <= 1.0 for role in roles)
        assert {role.part for role in roles} | set(roles.unrecognised) == set(circuit.parts)


def test_what_has_no_role_is_listed() -> None:
    text = "\n".join(
        (
            "A triode stage, and a transistor that has nothing to do with it",
            "VHT b 0 300",
            "VIN in 0 0 ;! input",
            "X1 p in k 12AX7",
            "R1 b p 100k",
            "R2 k 0 1.5k",
            "R3 in 0 1meg",
            ".model SMALL NPN(BF=100)",
            "Q1 x y 0 SMALL",
            "VX x 0 5",
            "VY y 0 0.2",
            ".end",
            "",
        )
    )

    roles = recognise(circuit_of(text))

    assert "Q1" in roles.unrecognised
    assert not {"R1", "R2", "R3", "X1", "VHT", "VIN"} & set(roles.unrecognised)
