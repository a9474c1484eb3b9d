"""Faults at 100 Hz: which are driven there, and what inductance does to them.

Independent knowledge: the plate of a single-ended pentode sees its wire and, beyond the
turns, the load, the reflected wire of shorted turns and the magnetizing reactance in
parallel (ideal-transformer algebra, as in `circuit/changes.py`); a pentode is a source of
current with its plate resistance beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import pi

import pytest

import netcheck.workbench.bass as bass_module
from netcheck.circuit.changes import SetValue, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.faults import list_faults
from netcheck.report.progress import SilentProgress
from netcheck.solve.pool import INTERRUPTED, Pool, Shared
from netcheck.solve.results import NotSolved, Outcome, Solved
from netcheck.workbench.bass import CONDITION, Bass, bass_faults, faults_in_the_bass
from netcheck.workbench.settings import Settings
from tests.solve.worker import Demo, Worker, solved

SHORT = "L1/shorted_turns@{}%"
PLATE_OHM = 50e3
"""Plate resistance of a 6V6 at 250 V (its sheet, from memory)."""
SWING = 0.4
"""Share of full drive at which the tube is still nearly linear."""


@dataclass(frozen=True)
class Bench:
    """What is driven, as the pipeline gives it."""

    circuit: Circuit
    options: Settings
    pool: Pool
    shared: Mapping[str, Shared]


@pytest.fixture(scope="module")
def known() -> Iterator[Demo]:
    with Pool(1) as pool:
        yield Demo("6v6_single_ended", Worker(pool))


def bench_of(known: Demo, pool: Pool | None = None, frequency_hz: float = 1000.0) -> Bench:
    chosen = pool or known.worker.pool
    shared = {"idle": chosen.share("bass", known.circuit)}
    return Bench(known.circuit, Settings(frequency_hz=frequency_hz), chosen, shared)


def in_the_bass(
    known: Demo, ids: Sequence[str], level_v: float, bench: Bench | None = None, **gross: str
) -> tuple[Bass, dict[str, Outcome]]:
    """Drive some faults at 100 Hz; gross: why not, by id."""
    faults = [known.fault(each) for each in ids]
    full = replace(known.drive(known.full_v), condition="full", input_v=level_v)
    healthy = {"idle": known.idle, "full": full}
    skipped = {ids.index(each): why for each, why in gross.items()}
    found = faults_in_the_bass(
        bench or bench_of(known),
        known.roles,
        faults,
        known.hookup,
        healthy,
        skipped,
        SilentProgress(),
    )
    return found, {ids[number]: state for number, state in found.faults.items()}


def primary(circuit: Circuit, share: float, hz: float) -> tuple[complex, complex]:
    """Return what the plate sees, and of it what lies beyond the wire [ohm].

    share: of the primary's turns that are shorted.
    """
    winding, secondary, speaker = circuit["L1"], circuit["L2"], circuit["R21"]
    assert winding.value
    assert secondary.value
    assert speaker.value
    assert winding.note.dcr_ohm
    ratio2 = winding.value / secondary.value
    load = ratio2 * (speaker.value + (secondary.note.dcr_ohm or 0.0))
    wire = winding.note.dcr_ohm
    beyond = 1.0 / (1.0 / load + share / wire + 1.0 / (2j * pi * hz * winding.value))
    return wire * (1.0 - share) + (1.0 - share) ** 2 * beyond, (1.0 - share) ** 2 * beyond


def output_share(circuit: Circuit, share: float) -> float:
    """Return the output at 100 Hz over that at 1 kHz, for the same grid swing."""
    peaks = []
    for hz in (100.0, 1000.0):
        whole, beyond = primary(circuit, share, hz)
        peaks.append(abs(beyond * PLATE_OHM / (PLATE_OHM + whole)))
    return (peaks[0] / peaks[1]) ** 2


@pytest.mark.parametrize("percent", ["0.5", "1", "2", "5"])
def test_power_kept_in_the_bass_follows_from_reactance_load_and_shorted_turns(
    known: Demo, percent: str
) -> None:
    name, level_v = SHORT.format(percent), SWING * known.full_v

    bass, found = in_the_bass(known, [name], level_v)

    # what the stages before lose at 100 Hz is the same in health
    before = solved(bass.healthy[CONDITION]).output_w / known.drive(level_v).output_w
    after = solved(found[name]).output_w / known.drive(level_v, name).output_w
    expected = output_share(known.circuit, float(percent) / 100.0) / output_share(known.circuit, 0)
    assert expected > 1.05
    assert after / before == pytest.approx(expected, rel=0.01)


def test_what_the_speaker_misses_heats_the_plate_and_less_so_the_more_turns_are_shorted(
    known: Demo,
) -> None:
    names = [SHORT.format(each) for each in ("0.5", "2", "10")]

    _, found = in_the_bass(known, names, known.full_v)

    hotter = [
        solved(found[name]).tubes["X2"].plate_dissipation_w
        - known.drive(known.full_v, name).tubes["X2"].plate_dissipation_w
        for name in names
    ]
    assert hotter[0] > 0.5  # the inductance still counts beside the load
    assert hotter[0] > 1.5 * hotter[1] > 1.5 * hotter[2]
    assert hotter[2] == pytest.approx(0.0, abs=0.15)  # the short hides it


def test_without_a_speaker_the_plate_is_hot_at_100_hz_and_cool_at_1_khz(known: Demo) -> None:
    _, found = in_the_bass(known, ["R21/open"], known.full_v)

    low = solved(found["R21/open"])
    high = known.drive(known.full_v, "R21/open")
    limit_w = 12.0
    assert low.frequency_hz == 100.0
    assert low.condition == CONDITION
    assert low.tubes["X2"].plate_dissipation_w > 0.8 * limit_w  # a reactance takes no power
    assert high.tubes["X2"].plate_dissipation_w < 0.5 * limit_w  # it clips on both sides


def test_every_fault_of_transformer_and_load_is_driven_where_health_needs_it(
    known: Demo,
) -> None:
    chosen = {known.faults[number].id for number in numbers(known, known.circuit)}

    assert {"R21/open", "R21/shorted", "L1/winding_open", "C20/shorted"} <= chosen
    assert {name for name in chosen if name.startswith("L1/shorted_turns")} == {
        SHORT.format(each) for each in ("0.5", "1", "2", "5", "10", "20", "50")
    }
    assert not chosen & {"C3/leaky@1Mohm", "R8/open", "R10/open"}


def numbers(known: Demo, circuit: Circuit) -> tuple[int, ...]:
    return bass_faults(circuit, known.roles, list_faults(circuit, known.roles))


def test_a_fault_that_makes_inductance_scarce_is_driven_with_all_its_sizes(known: Demo) -> None:
    def kinds(henry: float) -> set[str]:
        circuit = apply_changes(known.circuit, (SetValue("L2", henry),))
        faults = list_faults(circuit, known.roles)
        return {faults[number].kind for number in bass_faults(circuit, known.roles, faults)}

    # 4 times the load: a transformer of four times the impedance has 1 time, which counts
    assert kinds(4.0 * 8.0 / (2.0 * pi * 100.0)) == {"wrong_impedance"}
    assert kinds(50.0 * 8.0 / (2.0 * pi * 100.0)) == set()


def test_gross_faults_are_left_out_and_say_why(known: Demo) -> None:
    ids = ["L1/winding_open", "R21/open"]

    found, states = in_the_bass(known, ids, known.full_v, **{ids[0]: "the screen burns"})

    left_out = states[ids[0]]
    assert isinstance(left_out, NotSolved)
    assert left_out.skipped
    assert left_out.reason == "not driven: the screen burns"
    assert isinstance(states[ids[1]], Solved)
    (sentence,) = found.assumptions(226, 1000.0)
    assert sentence.startswith("of 226 faults 2, ")
    assert sentence.endswith("driven at 100 Hz too; the others at 1 kHz only")


def test_rows_say_so_where_health_has_no_state_in_the_bass(
    known: Demo, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bass_module, "BASS_HZ", 1e-9)  # a cycle longer than any worker waits for

    with Pool(1, time_limit_s=0.5) as impatient:
        found, states = in_the_bass(known, ["R21/open"], known.full_v, bench_of(known, impatient))

    state = states["R21/open"]
    assert isinstance(state, NotSolved)
    assert state.reason.startswith("not driven: the healthy circuit has no state at 1e-09 Hz: ")
    assert isinstance(found.healthy[CONDITION], NotSolved)


def test_an_interrupted_run_says_so_in_each_row(known: Demo) -> None:
    with Pool(1) as stopped:
        stopped.stopped = INTERRUPTED
        _, states = in_the_bass(known, ["R21/open"], known.full_v, bench_of(known, stopped))

    state = states["R21/open"]
    assert isinstance(state, NotSolved)
    assert state.reason == INTERRUPTED


@pytest.mark.parametrize("hz", [50.0, 100.0])
def test_a_test_signal_as_low_needs_no_second_look(known: Demo, hz: float) -> None:
    found, states = in_the_bass(known, ["R21/open"], known.full_v, bench_of(known, frequency_hz=hz))

    assert (found.healthy, states) == ({}, {})
