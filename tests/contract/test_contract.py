"""Nothing that a user or a script relies on moves unsaid: faults, documents, texts."""

from __future__ import annotations

import os

import pytest

from tests.contract.dumps import (
    DRIVEN_ROOM,
    IDLE_ROOM,
    NETLISTS,
    SLOW,
    commands,
    differences,
    kept,
    listed,
    name_of,
    written,
)

ALL = os.environ.get("NETCHECK_CONTRACT") == "all"
"""The slow ones too; what is not asked for is not collected."""


@pytest.mark.parametrize("netlist", NETLISTS)
def test_every_fault_of_a_netlist_is_listed_as_before(netlist: str) -> None:
    found = differences(kept(name_of(netlist)), listed(netlist), 1e-9)

    assert found == []


@pytest.mark.parametrize("name", [name for name in commands() if ALL or name not in SLOW])
def test_a_command_writes_what_it_wrote_before(name: str) -> None:
    driven = name.startswith("driven.") or name.endswith("_driven")
    found = differences(kept(name), written(name), DRIVEN_ROOM if driven else IDLE_ROOM)

    assert found == []
