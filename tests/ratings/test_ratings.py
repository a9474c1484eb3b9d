from __future__ import annotations

from importlib.resources import files

import pytest

from netcheck.ratings import table
from netcheck.ratings.mains import mains_bands
from netcheck.ratings.parts import assumed_rating_w, derating_share, resistor_sizes_w
from netcheck.ratings.systems import scaled

TABLES = [
    path.name.removesuffix(".csv")
    for path in (files("netcheck.ratings") / "data").iterdir()
    if path.name.endswith(".csv")
]


@pytest.mark.parametrize("name", TABLES)
def test_every_row_has_a_source_and_no_blank(name: str) -> None:
    rows = table.rows(name)
    assert rows
    assert len({tuple(row.items()) for row in rows}) == len(rows)


def test_a_row_without_a_source_is_refused(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path_factory.mktemp("ratings")
    (folder / "data").mkdir()
    (folder / "data" / "bad.csv").write_text("name,source\neurope, \n", encoding="utf-8")
    monkeypatch.setattr(table, "files", lambda _package: folder)
    with pytest.raises(ValueError, match=r"bad\.csv line 2"):
        table.rows("bad")


@pytest.mark.parametrize(
    ("system", "expected"),
    [
        ("design_center", 30.0),
        ("design_maximum", 30.0 / 1.1),
        ("absolute_maximum", 30.0 / 1.21),
        ("not_stated", 30.0),
    ],
)
def test_a_limit_comes_down_one_step_a_system(system: str, expected: float) -> None:
    assert scaled(30.0, system).value == pytest.approx(expected)  # type: ignore[arg-type]


def test_the_comparison_says_what_it_is() -> None:
    assert "scaled to design-center" in scaled(30.0, "design_maximum").statement
    assert "as printed, system not stated" in scaled(30.0, "not_stated").statement


def test_a_re_rated_type_meets_its_older_design_center_figure() -> None:
    # 12AX7: 300 V design-center (RC-19), 330 V design-maximum (RC-30), from memory.
    assert scaled(330.0, "design_maximum").value == pytest.approx(300.0)


@pytest.mark.parametrize(
    ("healthy_w", "rating_w"), [(0.0, 0.5), (0.25, 0.5), (0.26, 1.0), (0.6, 2.0), (2.6, 7.0)]
)
def test_an_unrated_resistor_is_taken_with_twice_its_dissipation(
    healthy_w: float, rating_w: float
) -> None:
    assert assumed_rating_w(healthy_w) == rating_w


def test_no_rating_is_assumed_beyond_the_largest_size() -> None:
    assert assumed_rating_w(resistor_sizes_w()[-1]) is None


@pytest.mark.parametrize(
    ("body", "temperature_c", "share"),
    [("film", 20, 1.0), ("film", 85, 0.8), ("film", 92.5, 0.7), ("film", 150, 0.0)],
)
def test_derating_follows_the_load_curve(body: str, temperature_c: float, share: float) -> None:
    assert derating_share(body, temperature_c) == pytest.approx(share)


def test_an_unknown_body_has_no_curve() -> None:
    with pytest.raises(ValueError, match="no load curve"):
        derating_share("carbon", 20)


@pytest.mark.parametrize("name", sorted(mains_bands()))
def test_a_mains_band_spans_its_nominal_volts(name: str) -> None:
    band = mains_bands()[name]
    assert 0.85 <= band.low_ratio < 1.0 < band.high_ratio <= 1.15
