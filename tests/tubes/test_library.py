"""Finding a type by the names people write."""

from __future__ import annotations

import subprocess
import sys

import pytest

from netcheck.errors import TubeDataError
from netcheck.tubes.library import TubeLibrary, load_library


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("12AX7", "12AX7"),
        ("12ax7a", "12AX7"),
        ("ECC83", "12AX7"),
        ("6CA7", "EL34"),
        ("el-34", "EL34"),
        ("6BQ5", "EL84"),
        ("6v6 gt", "6V6GT"),
        ("6V6GTA", "6V6GTA"),
        ("6SN7GTB", "6SN7GTB"),
        ("2a3", "2A3"),
        ("6550", "6550"),
        ("6550a", "6550A"),
        ("5881", "5881"),
        ("45", "45"),
        ("807", "807"),
        ("300b", "300B"),
        ("ECC88", "6DJ8"),
        ("6267", "EF86"),
        ("EL90", "6AQ5"),
        ("6SL7", "6SL7GT"),
        ("12bh7", "12BH7A"),
        ("7025", "12AX7"),
        ("6922", "6922"),
        ("e88cc", "6922"),
        ("6AQ8", "ECC85"),
        ("6080", "6AS7G"),
        ("EZ90", "6X4"),
        ("ECF82", "6U8A"),
        ("7189a", "7189A"),
    ],
)
def test_names_and_aliases_in_any_case(written: str, name: str) -> None:
    found = load_library().lookup(written)

    assert (found.type.name, found.warning) == (name, "")


@pytest.mark.parametrize(
    ("written", "name", "rival"),
    [("6L6", "6L6", "6L6GC"), ("6sn7", "6SN7GT", "6SN7GTB"), ("6V6", "6V6GT", "6V6GTA")],
)
def test_an_ambiguous_name_takes_the_lower_limit_and_warns(
    written: str, name: str, rival: str
) -> None:
    library = load_library()
    found = library.lookup(written)
    watts = found.type.limit("plate_dissipation_w").value

    assert found.type.name == name
    assert "the lower limit is used" in found.warning
    assert watts < library.find(rival).limit("plate_dissipation_w").value


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("EL34B", "EL34"),
        ("ECC83S", "12AX7"),
        ("6L6WGB", "6L6"),
        ("6L6GAY", "6L6"),
        ("5881WXT", "5881"),
        ("6550WE", "6550"),
        ("300BXLS", "300B"),
    ],
)
def test_trailing_letters_are_a_variant_and_warn(written: str, name: str) -> None:
    found = load_library().lookup(written)

    assert found.type.name == name
    assert found.warning == f"'{written}' is not on file; read as {name}"


@pytest.mark.parametrize("written", ["7868", "EL345", "12AX77", "", "A", "OPAMP", "EL34UVWXYZ"])
def test_what_is_not_on_file_is_not_found(written: str) -> None:
    library = load_library()

    assert library.lookup(written) is None
    assert library.find(written) is None
    assert not library.is_tube(written)


def test_is_tube_agrees_with_find() -> None:
    library = load_library()

    assert all(library.is_tube(name) for name in (*library.names, "6L6", "EL34B", "ecc82"))


@pytest.mark.parametrize(("written", "near"), [("EL43", "EL84"), ("12AX8", "12AX7")])
def test_suggestion(written: str, near: str) -> None:
    assert load_library().suggest(written) == near


def test_no_suggestion_for_something_else() -> None:
    assert load_library().suggest("zener") is None


def test_the_6550_keeps_the_lower_limit_of_the_6550a() -> None:
    library = load_library()
    watts = [library.find(name).limit("plate_dissipation_w").value for name in ("6550", "6550A")]

    assert watts == [35, 42]


def test_two_files_may_not_claim_one_name() -> None:
    texts = {"A.toml": 'name = "A1"\naliases = ["B1"]\n', "B.toml": 'name = "B1"\n'}

    with pytest.raises(TubeDataError, match=r"^B\.toml: aliases: 'B1' is also in A\.toml$"):
        TubeLibrary(texts)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("name = ", "X.toml: Invalid value"),
        ("\n\nname = 'X'", "X.toml: name: "),
        ("name = 'X'\naliases = 'Y'", "X.toml: aliases: "),
    ],
)
def test_unreadable_names(text: str, message: str) -> None:
    with pytest.raises(TubeDataError) as caught:
        TubeLibrary({"X.toml": text})

    assert str(caught.value).startswith(message)


@pytest.mark.parametrize(
    ("rest", "message"),
    [("based_on = 'Z'", "X.toml: based_on: there is no Z.toml"), ("kind = [", "X.toml: ")],
)
def test_a_broken_file_is_reported_when_asked_for(rest: str, message: str) -> None:
    library = TubeLibrary({"X.toml": f"name = 'X'\n\n{rest}"})

    with pytest.raises(TubeDataError) as caught:
        library.find("X")

    assert str(caught.value).startswith(message)


def test_the_lookup_of_names_alone_does_not_import_the_schema() -> None:
    code = (
        "import sys; from netcheck.tubes.library import load_library;"
        "assert load_library().is_tube('EL34');"
        "assert 'pydantic' not in sys.modules and 'numpy' not in sys.modules"
    )

    subprocess.run([sys.executable, "-c", code], check=True)
