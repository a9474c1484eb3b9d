"""Pages on disk: what comes back, what is never found, and what happens when nothing works."""

from __future__ import annotations

import json
import os
import pickle
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from netcheck.circuit.changes import apply_changes
from netcheck.circuit.model import Circuit, Part, Pin
from netcheck.diagnose import dictionary as dictionary_module
from netcheck.diagnose.dictionary import Dictionary, Store, digest_of, usual_folder
from netcheck.diagnose.page import Page
from netcheck.diagnose.situations import IDLE, POWER_OFF, TUBES_OUT, reduced
from netcheck.netlist.cards import PartNote

PAGE = Page(
    "idle",
    ("v:a", "v:b", "i:R1"),
    ("a", "b"),
    np.arange(6, dtype=np.float32).reshape(2, 3),
    np.arange(8, dtype=np.float32).reshape(2, 2, 2),
    np.arange(30, dtype=np.float32).reshape(3, 2, 5),
    ("", "no operating point, \u00e9"),
    (0, 3),
    (("X1", "plate_dissipation_w", 14.0),),
)

Make = Callable[..., Dictionary]


@pytest.fixture
def kept(tmp_path: Path) -> Store:
    made = Store(tmp_path / "pages")
    made.keep("abc", PAGE)
    return made


def test_a_page_comes_back_as_it_was_kept(kept: Store) -> None:
    actual = kept.load("abc")

    assert actual is not None
    for name in ("nominal", "pull", "draws"):
        assert np.array_equal(getattr(actual, name), getattr(PAGE, name))
        assert getattr(actual, name).dtype == np.float32
    for name in ("situation", "columns", "nets", "reasons", "limits"):
        assert getattr(actual, name) == getattr(PAGE, name)
    assert kept.trouble == ""


def test_a_page_kept_again_takes_the_place_of_the_old_one(kept: Store) -> None:
    kept.keep("abc", replace(PAGE, situation="tubes_out"))

    page = kept.load("abc")
    assert page is not None
    assert page.situation == "tubes_out"
    assert [one.name for one in kept.folder.iterdir()] == ["abc"]  # type: ignore[union-attr]


def test_another_name_finds_nothing(kept: Store) -> None:
    assert kept.load("abd") is None
    assert Store(None).load("abc") is None


def no_file(folder: Path) -> None:
    (folder / "draws.npy").unlink()


def truncated(folder: Path) -> None:
    file = folder / "draws.npy"
    file.write_bytes(file.read_bytes()[:-8])


def only_a_header(folder: Path) -> None:
    (folder / "pull.npy").write_bytes(b"\x93NUMPY")


def nothing_in_it(folder: Path) -> None:
    (folder / "nominal.npy").write_bytes(b"")


def other_shape(folder: Path) -> None:
    np.save(folder / "nominal.npy", PAGE.nominal[:, :2])


def rows_of_another(folder: Path) -> None:
    np.save(folder / "draws.npy", PAGE.draws[:, :1])


def pickled(folder: Path) -> None:
    (folder / "pull.npy").write_bytes(pickle.dumps([1, 2]))


def objects(folder: Path) -> None:
    np.save(folder / "pull.npy", np.array([{}, {}]), allow_pickle=True)


def garbage(folder: Path) -> None:
    (folder / "page.json").write_bytes(b"\xff\xfe{")


def a_list(folder: Path) -> None:
    (folder / "page.json").write_text("[1, 2]", "utf-8")


def without_reasons(folder: Path) -> None:
    words = json.loads((folder / "page.json").read_text("utf-8"))
    del words["reasons"]
    (folder / "page.json").write_text(json.dumps(words), "utf-8")


def limits_of_two(folder: Path) -> None:
    words = json.loads((folder / "page.json").read_text("utf-8"))
    (folder / "page.json").write_text(json.dumps(words | {"limits": [["X1", 3]]}), "utf-8")


def pull_of_another(folder: Path) -> None:
    np.save(folder / "pull.npy", PAGE.pull[:, :1])


def an_archive(folder: Path) -> None:
    (folder / "draws.npy").write_bytes(b"PK\x03\x04 no archive after all")


@pytest.mark.parametrize(
    "spoil",
    [no_file, truncated, only_a_header, nothing_in_it, other_shape, rows_of_another, pickled,
     objects, garbage, a_list, without_reasons, limits_of_two,
     pull_of_another, an_archive],
)  # fmt: skip
def test_a_spoiled_page_is_no_page(kept: Store, spoil: Callable[[Path], None]) -> None:
    assert kept.folder is not None
    spoil(kept.folder / "abc")

    assert kept.load("abc") is None


def test_a_spoiled_page_is_solved_anew(tmp_path: Path, unsolved_dictionary: Make) -> None:
    known = Store(tmp_path)
    first = unsolved_dictionary(known)
    digest = first._digest(TUBES_OUT)
    known.keep(digest, replace(PAGE, situation=TUBES_OUT.key))
    found = unsolved_dictionary(known).page(TUBES_OUT.key)
    truncated(tmp_path / digest)

    with pytest.raises(RuntimeError, match="the solver was asked"):
        unsolved_dictionary(known).page(TUBES_OUT.key)

    assert found.situation == TUBES_OUT.key


def test_a_folder_that_cannot_be_written_is_a_trouble_and_no_error(tmp_path: Path) -> None:
    in_the_way = tmp_path / "a file"
    in_the_way.write_text("not a folder", "utf-8")
    made = Store(in_the_way / "pages")

    made.keep("abc", PAGE)

    assert made.trouble.startswith("the dictionary could not be kept: ")
    assert made.load("abc") is None
    assert str(tmp_path) not in made.trouble


def test_nothing_half_written_is_left_where_the_disk_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(np, "save", full)
    made = Store(tmp_path)

    made.keep("abc", PAGE)

    assert made.trouble == "the dictionary could not be kept: No space left on device"
    assert list(tmp_path.iterdir()) == []


def test_no_folder_keeps_nothing_and_complains_of_nothing() -> None:
    made = Store(None)

    made.keep("abc", PAGE)

    assert made.trouble == ""


def test_the_pages_not_used_for_longest_go_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = Store(tmp_path)
    for age, name in enumerate(("old", "older", "oldest"), start=1):
        made.keep(name, PAGE)
        os.utime(tmp_path / name, (1e9 - age, 1e9 - age))
    made.load("oldest")  # used again, so it is the newest
    size = sum(file.stat().st_size for file in (tmp_path / "old").iterdir())
    monkeypatch.setattr(dictionary_module, "MOST_BYTES", 3 * size + 1)

    made.keep("new", PAGE)

    assert {one.name for one in tmp_path.iterdir()} == {"old", "oldest", "new"}


def test_a_page_larger_than_the_whole_room_is_kept_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = Store(tmp_path)
    made.keep("old", PAGE)
    monkeypatch.setattr(dictionary_module, "MOST_BYTES", 1)

    made.keep("new", PAGE)

    assert [one.name for one in tmp_path.iterdir()] == ["new"]
    assert made.load("new") is not None


def test_the_usual_folder_follows_the_user(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert usual_folder() == tmp_path / "netcheck" / "pages"

    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert usual_folder() == tmp_path / ".cache" / "netcheck" / "pages"


def test_pieces_that_run_together_alike_have_other_digests() -> None:
    assert digest_of(["ab", "c"]) != digest_of(["a", "bc"])
    assert digest_of(["ab"]) == digest_of(["ab"])


def with_value(circuit: Circuit) -> Circuit:
    return circuit.with_parts(replace(circuit["R8"], value=271.0))


def with_net_renamed(circuit: Circuit) -> Circuit:
    parts = (
        replace(one, pins=tuple(Pin(p.name, "x9" if p.net == "a2" else p.net) for p in one.pins))
        for one in circuit.parts_on["a2"]
    )
    return circuit.with_parts(*parts)


def with_plate_limit(circuit: Circuit) -> Circuit:
    part = circuit["X2"]
    return circuit.with_parts(replace(part, note=replace(part.note, plate_power_w=9.0)))


def with_tolerance(circuit: Circuit) -> Circuit:
    part = circuit["R8"]
    return circuit.with_parts(replace(part, note=replace(part.note, tolerance=0.01)))


def with_steady_supply(circuit: Circuit) -> Circuit:
    part = circuit["VB"]
    return circuit.with_parts(replace(part, note=replace(part.note, follows_mains=False)))


def with_second_supply(circuit: Circuit) -> Circuit:
    pins, note = (Pin("plus", "b9"), Pin("minus", "0")), PartNote(follows_mains=True)
    return circuit.with_parts(Part("VB", "voltage_source", pins, -50.0, note))


@pytest.mark.parametrize(
    ("change", "situation", "mains"),
    [
        (with_value, TUBES_OUT.key, "230V"),
        (with_net_renamed, IDLE.key, "230V"),
        (with_tolerance, IDLE.key, "230V"),
        (with_plate_limit, IDLE.key, "230V"),
        (with_steady_supply, reduced(0.6).key, "230V"),
        (with_steady_supply, reduced(0.6).key, ""),
    ],
)
def test_another_circuit_never_finds_the_page(
    circuit: Circuit,
    unsolved_dictionary: Make,
    change: Callable[[Circuit], Circuit],
    situation: str,
    mains: str,
) -> None:
    chosen = next(one for one in (TUBES_OUT, IDLE, reduced(0.6)) if one.key == situation)
    circuit = with_second_supply(circuit)
    plain = unsolved_dictionary(circuit=circuit, mains=mains)
    other = unsolved_dictionary(circuit=change(circuit), mains=mains)

    assert plain._digest(chosen) != other._digest(chosen)


@pytest.mark.parametrize("options", [{"draws": 4}, {"seed": 2}, {"mains": "120V"}, {"mains": ""}])
def test_other_units_never_find_the_page(unsolved_dictionary: Make, options: dict) -> None:
    assert unsolved_dictionary()._digest(IDLE) != unsolved_dictionary(**options)._digest(IDLE)


def test_another_fault_never_finds_the_page(unsolved_dictionary: Make) -> None:
    plain, other = unsolved_dictionary(), unsolved_dictionary()
    other.faults = other.faults[1:]

    assert plain._digest(IDLE) != other._digest(IDLE)


def test_another_situation_has_a_page_of_its_own(unsolved_dictionary: Make) -> None:
    made = unsolved_dictionary()

    names = {made._digest(one) for one in (POWER_OFF, TUBES_OUT, reduced(0.6), reduced(0.8), IDLE)}

    assert len(names) == 5


def test_the_same_content_finds_the_same_page(circuit: Circuit, unsolved_dictionary: Make) -> None:
    again = apply_changes(circuit, ())

    assert unsolved_dictionary()._digest(IDLE) == unsolved_dictionary(circuit=again)._digest(IDLE)
