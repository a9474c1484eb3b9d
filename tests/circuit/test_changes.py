"""Changes as data: each gives a new circuit and touches only what it names."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcheck.circuit.changes import (
    AddResistor,
    ScaleEmission,
    SetValue,
    ShortTurns,
    apply_changes,
    part_coupling,
)
from netcheck.circuit.model import Circuit, Coupling, Part, Pin
from netcheck.netlist.cards import PartNote


def coil(ref: str, henry: float, note: PartNote | None = None) -> Part:
    return Part(ref, "inductor", (Pin("a", f"{ref}a"), Pin("b", "0")), henry, note or PartNote())


def transformer(henries: list[float], factors: NDArray[np.float64]) -> Circuit:
    """Windings L0, L1, ... coupled by a whole matrix of factors."""
    parts = {f"L{i}": coil(f"L{i}", henry) for i, henry in enumerate(henries)}
    couplings = tuple(
        Coupling(f"K{i}{j}", f"L{i}", f"L{j}", float(factors[i, j]))
        for i, j in combinations(range(len(henries)), 2)
    )
    return Circuit("transformer", parts, couplings)


def inductance_matrix(circuit: Circuit) -> NDArray[np.float64]:
    coils = circuit.of_kind("inductor")
    place = {part.ref: number for number, part in enumerate(coils)}
    matrix = np.diag([part.value or 0.0 for part in coils])
    for pair in circuit.couplings:
        one, two = place[pair.first], place[pair.second]
        mutual = pair.factor * np.sqrt(matrix[one, one] * matrix[two, two])
        matrix[one, two] = matrix[two, one] = mutual
    return matrix


def smallest_eigenvalue(circuit: Circuit) -> float:
    """Of the couplings alone, so that small windings count as much as large ones."""
    matrix = inductance_matrix(circuit)
    scale = np.sqrt(np.diag(matrix))
    return float(np.linalg.eigvalsh(matrix / np.outer(scale, scale)).min())


@st.composite
def possible_factors(draw: st.DrawFn) -> NDArray[np.float64]:
    """Any physically possible set of coupling factors: a Gram matrix of unit vectors."""
    count = draw(st.integers(2, 5))
    axes = draw(st.integers(1, count))
    entry = st.floats(-1.0, 1.0)
    rows = draw(
        st.lists(
            st.lists(entry, min_size=axes, max_size=axes).filter(
                lambda row: sum(each * each for each in row) > 1e-2
            ),
            min_size=count,
            max_size=count,
        )
    )
    vectors = np.array(rows)
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.clip(vectors @ vectors.T, -1.0, 1.0)


@given(factors=possible_factors(), share=st.floats(0.001, 0.95), data=st.data())
def test_shorted_turns_keep_the_couplings_physically_possible(
    factors: NDArray[np.float64], share: float, data: st.DataObject
) -> None:
    henries = data.draw(
        st.lists(st.floats(1e-3, 100.0), min_size=len(factors), max_size=len(factors))
    )
    whole = transformer(henries, factors)
    split = apply_changes(whole, (ShortTurns("L0", share, 100.0),))

    assert smallest_eigenvalue(split) >= -1e-9


def test_a_fixed_coupling_of_the_parts_would_not_be_possible_in_a_tight_transformer() -> None:
    """Why the parts' coupling follows from the others': 0.9995 beside 0.99999 is impossible."""
    tight = transformer([10.0, 10.0, 0.05], np.full((3, 3), 0.99999))
    split = apply_changes(tight, (ShortTurns("L0", 0.1, 100.0),))
    between = part_coupling(tight, "L0", 0.9995)
    naive = tuple(
        Coupling(
            pair.ref, pair.first, pair.second, 0.9995 if pair.factor == between else pair.factor
        )
        for pair in split.couplings
    )

    assert between > 0.9995
    assert smallest_eigenvalue(split) > 0.0
    assert smallest_eigenvalue(Circuit("naive", split.parts, naive)) < 0.0


@given(factors=possible_factors(), share=st.floats(0.001, 0.95))
def test_both_parts_couple_with_the_others_as_the_whole_did(
    factors: NDArray[np.float64], share: float
) -> None:
    whole = transformer([10.0] * len(factors), factors)
    split = apply_changes(whole, (ShortTurns("L0", share, 100.0),))
    before = whole.coupled_with("L0")

    assert {k: v for k, v in split.coupled_with("L0").items() if k != "L0.turns1"} == before
    assert {k: v for k, v in split.coupled_with("L0.turns1").items() if k != "L0"} == before


def test_shorted_turns_share_out_turns_and_wire() -> None:
    note = PartNote(dcr_ohm=200.0, turns=3000.0, max_current_a=0.1)
    whole = Circuit("one", {"L0": coil("L0", 10.0, note)})

    split = apply_changes(whole, (ShortTurns("L0", 0.1, 200.0),))

    assert split["L0"].value == pytest.approx(8.1)
    assert split["L0.turns1"].value == pytest.approx(0.1)
    assert split["L0"].note == PartNote(dcr_ohm=180.0, turns=2700.0, max_current_a=0.1)
    assert split["L0.wire1"].value == pytest.approx(20.0)
    assert (split["L0.short1"].value or 0.0) <= 0.02
    assert split["L0.turns1"].nets[0] == "L0a"
    assert split["L0"].nets[1] == "0"
    assert all(split[ref].added for ref in ("L0.turns1", "L0.wire1", "L0.short1"))


def test_a_winding_can_be_split_twice() -> None:
    whole = transformer([10.0, 0.05], np.full((2, 2), 0.999))

    split = apply_changes(whole, (ShortTurns("L0", 0.1, 100.0), ShortTurns("L0", 0.2, 90.0)))

    assert len(split.of_kind("inductor")) == 4
    assert len({part.ref for part in split}) == 2 + 2 * 3
    assert smallest_eigenvalue(split) >= 0.0


@pytest.mark.parametrize("share", [0.0, 1.0, -0.1, float("nan")])
def test_an_impossible_share_is_refused(share: float) -> None:
    whole = Circuit("one", {"L0": coil("L0", 10.0)})

    with pytest.raises(ValueError, match="cannot short"):
        apply_changes(whole, (ShortTurns("L0", share, 100.0),))


def test_only_windings_have_turns() -> None:
    resistor = Part("R1", "resistor", (Pin("a", "x"), Pin("b", "0")), 10.0, PartNote())

    with pytest.raises(ValueError, match="R1"):
        apply_changes(Circuit("one", {"R1": resistor}), (ShortTurns("R1", 0.1, 1.0),))


def test_plain_changes_give_a_new_circuit_and_leave_the_old_one() -> None:
    resistor = Part("R1", "resistor", (Pin("a", "x"), Pin("b", "0")), 10.0, PartNote())
    pins = (Pin("plate", "x"), Pin("grid", "0"), Pin("cathode", "0"))
    tube = Part("V1", "tube", pins, None, PartNote())
    healthy = Circuit("two", {"R1": resistor, "V1": tube})
    changes = (
        SetValue("R1", 22.0),
        AddResistor("R1.leak", "x", "0", 1e6),
        ScaleEmission("V1", 0.0),
    )

    faulted = apply_changes(healthy, changes)

    assert (faulted["R1"].value, faulted["R1.leak"].value) == (22.0, 1e6)
    assert faulted["R1.leak"].added
    assert faulted["V1"].current_scale == 0.0
    assert healthy == Circuit("two", {"R1": resistor, "V1": tube})
    assert list(faulted.parts) == ["R1", "R1.leak", "V1"]
