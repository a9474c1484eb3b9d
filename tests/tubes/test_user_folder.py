"""Tube types of the user's own, from a folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcheck.errors import TubeDataError
from netcheck.tubes.library import library_with, load_library

OWN = """\
name = "6V6GT"
aliases = ["MY6V6"]
based_on = "6V6GT"

limits = [
  { quantity = "plate_dissipation_w", value = 9, rating_system = "not_stated", source = "me" },
]

[sources]
me = "measured here, 2024"
"""


def write(folder: Path, name: str, text: str) -> Path:
    (folder / name).write_text(text, encoding="utf-8")
    return folder


def test_no_folder_is_the_built_in_library() -> None:
    assert library_with(None) is load_library()


def test_an_own_file_wins_and_keeps_what_it_is_based_on(tmp_path: Path) -> None:
    library = library_with(write(tmp_path, "mine.toml", OWN))
    own = library.find("6V6GT")
    built_in = load_library().find("6V6GT")

    assert own is not None
    assert built_in is not None
    assert own.limit("plate_dissipation_w").value == 9  # type: ignore[union-attr]
    assert own.sections == built_in.sections
    assert own.model == built_in.model
    assert built_in.limit("plate_dissipation_w").value == 12  # type: ignore[union-attr]


@pytest.mark.parametrize("name", ["6V6GT", "6v6-gt", "MY6V6", "6V6G", "6V6"])
def test_aliases_of_the_type_that_lost_its_name_go_along(tmp_path: Path, name: str) -> None:
    library = library_with(write(tmp_path, "mine.toml", OWN))

    assert library.file_of(name) == (tmp_path / "mine.toml").as_posix()
    assert library.name_of(name) == "6V6GT"


def test_the_other_types_are_still_there(tmp_path: Path) -> None:
    library = library_with(write(tmp_path, "mine.toml", OWN))

    assert library.names == load_library().names
    assert library.file_of("EL34") == ""
    assert library.find("EL34") == load_library().find("EL34")
    assert library.find("6V6GTA") == load_library().find("6V6GTA")


def test_a_file_may_be_based_on_the_one_beside_it(tmp_path: Path) -> None:
    write(tmp_path, "6V6GT.toml", OWN)
    write(tmp_path, "B.toml", OWN.replace('"6V6GT"\naliases = ["MY6V6"]', '"SECOND"'))
    library = library_with(tmp_path)
    second = library.find("SECOND")

    assert second is not None
    assert second.aliases == ()
    assert second.heater == load_library().find("6V6GT").heater  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (OWN.replace("value = 9", "value = -9"), "limits.0.value: Input should be greater than 0"),
        (OWN.replace(', source = "me"', ""), "limits.0.source: Field required"),
        (OWN.replace('source = "me"', 'source = "you"'), "limits.0.source: 'you' is not one"),
        (OWN.replace("plate_dissipation_w", "plate_watts"), "limits.0.quantity: "),
        (OWN + "[heater]\nvoltage_v = 6.3\n", "heater.current_a: Field required"),
        (OWN.replace('based_on = "6V6GT"', 'based_on = "NONE"'), "based_on: there is no NONE.toml"),
        (OWN.replace("limits = [", "limits = "), "Invalid"),
        ("# nothing\n", "name: the first paragraph holds the names of the type"),
        (OWN.replace("limits = [", 'colour = "red"\nlimits = ['), "colour: Extra inputs are not"),
    ],
)
def test_a_mistake_names_file_and_field(tmp_path: Path, text: str, message: str) -> None:
    write(tmp_path, "mine.toml", text)
    with pytest.raises(TubeDataError) as caught:
        library_with(tmp_path)

    assert str(caught.value).startswith(f"{(tmp_path / 'mine.toml').as_posix()}: ")
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_mistake_in_a_file_nobody_asked_for_is_found_at_once(tmp_path: Path) -> None:
    write(tmp_path, "mine.toml", OWN)
    write(tmp_path, "other.toml", 'name = "OTHER"\n\nkind = "triode"\n')
    with pytest.raises(TubeDataError, match=r"other\.toml: sources"):
        library_with(tmp_path)


def test_two_own_files_may_not_claim_one_name(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", OWN)
    write(tmp_path, "b.toml", OWN)
    with pytest.raises(TubeDataError, match=r"b\.toml: aliases: '6V6GT' is also in .*a\.toml"):
        library_with(tmp_path)


def test_a_folder_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(TubeDataError, match="does not exist"):
        library_with(tmp_path / "nowhere")
    with pytest.raises(TubeDataError, match=r"there is no \.toml file in"):
        library_with(tmp_path)
    write(tmp_path, "a.toml", OWN)
    with pytest.raises(TubeDataError, match="is not a folder"):
        library_with(tmp_path / "a.toml")


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"name = '\xff'\n")
    with pytest.raises(TubeDataError, match=r"a\.toml: it is not text in UTF-8"):
        library_with(tmp_path)


def test_windows_line_ends_and_a_byte_order_mark(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"\xef\xbb\xbf" + OWN.replace("\n", "\r\n").encode())

    assert library_with(tmp_path).file_of("MY6V6")
