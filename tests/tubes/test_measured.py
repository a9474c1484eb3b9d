"""Fitting measured points, and the table they are read from."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcheck.errors import NetcheckError
from netcheck.source import SourceText
from netcheck.tubes.library import library_with, load_library
from netcheck.tubes.measured import Measured, data_file, fit_measured, read_points
from netcheck.tubes.model import Law

TRIODE = "plate_v,grid_v,plate_a\n250,-2,1.2mA\n100,-1,0.5mA\n100,0,2mA\n"


def source(text: str) -> SourceText:
    return SourceText("points.csv", text)


def law(name: str) -> Law:
    tube = load_library().find(name)
    assert tube is not None
    return tube.law


def el84_points(scale: float = 1.0) -> str:
    """Points of a law on file, its plate current times `scale`."""
    lines = ["plate_v,screen_v,grid_v,plate_ma,screen_ma"]
    for screen_v in (200, 250):
        for plate_v in (50, 150, 300):
            for grid_v in (0, -4, -8, -12):
                plate, screen, _ = law("EL84").currents(plate_v, screen_v, grid_v)  # type: ignore[call-arg]
                lines.append(
                    f"{plate_v},{screen_v},{grid_v},"
                    f"{float(plate) * 1e3 * scale:.5g},{float(screen) * 1e3 * scale:.5g}"
                )
    return "\n".join(lines) + "\n"


def measured(scale: float = 1.0, like: str | None = "EL84") -> Measured:
    rows = read_points(source(el84_points(scale)), "pentode")
    return fit_measured("MINE", "pentode", rows, load_library().find(like) if like else None)


def test_points_of_a_law_give_the_law_back() -> None:
    """Noise-free points between the fitted ones are met as well: the fit is no table."""
    fitted = measured().fit.law
    for plate_v, screen_v, grid_v in [(100, 250, -2), (250, 250, -7.3), (400, 200, -6)]:
        wanted = law("EL84").currents(plate_v, screen_v, grid_v)  # type: ignore[call-arg]
        found = fitted.currents(plate_v, screen_v, grid_v)  # type: ignore[call-arg]

        assert float(found[0]) == pytest.approx(float(wanted[0]), rel=0.02)
        assert float(found[1]) == pytest.approx(float(wanted[1]), rel=0.02)


def test_a_stronger_tube_has_a_stronger_law() -> None:
    plate = measured(1.3).fit.law.currents(250, 250, -7.3)[0]  # type: ignore[call-arg]
    as_on_file = law("EL84").currents(250, 250, -7.3)[0]  # type: ignore[call-arg]

    assert float(plate) == pytest.approx(1.3 * float(as_on_file), rel=0.02)


def test_every_point_is_fitted_and_compared() -> None:
    found = measured()

    assert len(found.fit.comparisons) == 2 * len(found.rows) == 48
    assert found.fit.held_out == ()


def test_the_file_of_a_tube_like_one_on_file_is_ready_for_use(tmp_path: Path) -> None:
    found = measured()
    (tmp_path / "mine.toml").write_text(data_file(found), encoding="utf-8")
    tube = library_with(tmp_path).find("MINE")
    like = load_library().find("EL84")

    assert tube is not None
    assert like is not None
    assert tube.limits == like.limits
    assert tube.sections == like.sections
    assert len(tube.operation) == len(found.rows)
    printed, fitted = tube.law.currents(250, 250, -7), found.fit.law.currents(250, 250, -7)  # type: ignore[call-arg]
    assert float(printed[0]) == pytest.approx(float(fitted[0]), rel=1e-4)


def test_the_file_of_a_new_tube_says_what_is_left_to_fill_in(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(data_file(measured(like=None)), encoding="utf-8")
    with pytest.raises(NetcheckError, match=r"mine\.toml: heater: Field required"):
        library_with(tmp_path)

    filled = data_file(measured(like=None))
    for line in ("[heater]", "voltage_v = 6.3", "current_a = 0.3", 'source = "sheet"'):
        filled = filled.replace(f"# {line}\n", f"{line}\n")
    filled = filled.replace("  # { quantity", "  { quantity")
    (tmp_path / "mine.toml").write_text(filled, encoding="utf-8")

    assert library_with(tmp_path).find("MINE") is not None


@pytest.mark.parametrize(
    "text",
    [
        TRIODE,
        TRIODE.replace(",", ";"),
        TRIODE.replace(",", "\t"),
        "# measured on Monday\n\n" + TRIODE.replace("\n", "\r\n"),
        "plate_v;grid_v;plate_ma\n250V;-2V;1,2\n100;-1;0,5\n0,1kV;0;2\n",
        'PLATE_V,"Grid_V",plate_mA\n250,\N{MINUS SIGN}2,1.2\n100,-1,0.5\n100,0,2\n',
        "grid_v,plate_a,plate_v\n-2,1.2e-3,250\n-1,500uA,100\n0,0.002A,100\n",
    ],
)
def test_ways_to_write_a_table(text: str) -> None:
    rows = read_points(source(text), "triode")

    assert [(row.plate_v, row.grid_v, row.plate_a) for row in rows] == [
        (250, -2, pytest.approx(1.2e-3)),
        (100, -1, pytest.approx(0.5e-3)),
        (100, 0, pytest.approx(2e-3)),
    ]


def test_screen_current_may_be_left_empty() -> None:
    text = "plate_v,screen_v,grid_v,plate_a,screen_a\n"
    text += "250,250,-7,48mA,5mA\n250,250,-9,31mA,\n250,250,-11,10mA,\n"
    rows = read_points(source(text), "pentode")

    assert [row.screen_a for row in rows] == [5e-3, None, None]


@pytest.mark.parametrize(
    ("text", "kind", "message"),
    [
        ("", "triode", "points.csv is empty"),
        ("# only a remark\n", "triode", "points.csv is empty"),
        ("plate_v,grid_v\n", "triode", "points.csv:1:1: the column plate_a is missing"),
        ("plate,grid_v,plate_a\n", "triode", "points.csv:1:1: there is no column `plate`"),
        (TRIODE, "pentode", "points.csv:1:1: the column screen_v is missing"),
        ("plate_v,screen_v\n", "triode", "points.csv:1:9: a triode has no screen"),
        ("plate_v,plate_v\n", "triode", "points.csv:1:9: `plate_v` is there twice"),
        (TRIODE + "250,x,1mA\n", "triode", "points.csv:5:5: grid_v: `x` is not a value"),
        (TRIODE + "250,-3,\n", "triode", "points.csv:5:8: plate_a: `` is not a value"),
        (TRIODE + "250,-3,5W\n", "triode", "points.csv:5:8: plate_a: `5W` is not a value in"),
        (TRIODE + "250,-3,0\n", "triode", "points.csv:5:8: plate_a has to be more than zero"),
        (TRIODE + "-250,-3,1mA\n", "triode", "points.csv:5:1: plate_v has to be more than zero"),
        (TRIODE + "250,-3\n", "triode", "points.csv:5:5: 2 values stand under 3 columns"),
        (TRIODE + "250,-3,1,2\n", "triode", "4 values stand under 3 columns"),
        (TRIODE + "250,-3,1e999\n", "triode", "too large to be a value"),
        (TRIODE.replace("100,0,2mA\n", ""), "triode", "2 points, at least 3 are needed"),
        (
            TRIODE.replace("-", "").replace("100,0", "100,1"),
            "triode",
            "all grid volts of points.csv are positive",
        ),
    ],
)
def test_a_mistake_names_its_place(text: str, kind: str, message: str) -> None:
    with pytest.raises(NetcheckError) as caught:
        read_points(source(text), kind)  # type: ignore[arg-type]

    assert message in str(caught.value)
    assert caught.value.hint or "too large" in message


def test_a_decimal_comma_between_commas_gets_a_hint() -> None:
    with pytest.raises(NetcheckError) as caught:
        read_points(source(TRIODE + "250,-3,1,2\n"), "triode")

    assert "decimal comma" in caught.value.hint
