"""Pictures as they were approved by eye; another type renderer may differ a little."""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest

from netcheck.drawing import Annotations, to_png
from netcheck.drawing.annotations import Caption, Volts
from tests.drawing.circuits import EXAMPLES, read

GOLDEN = Path(__file__).resolve().parent.parent / "golden" / "drawing"
SCALE = 0.75
DIFFERS_BY = 0.35
"""Less than this share of full scale is how a line was smoothed."""
MOST_DIFFERENT = 0.004
"""Moving one resistor by its own length changes more of a small sheet than this."""
STATES = {
    "6v6_single_ended": Annotations(),
    "12ax7_preamp": Annotations(
        {"X1": Caption("1.2 mA  260 mW", 1.2, "over", 0.5, "changed"),
         "R2": Caption("300 mW", 0.98, "at", 0.5, "fault"),
         "C20": Caption("290 V", 0.85, "hot")},
        {}, {"p1": Volts("101 V", -1, "150 V"), "ht": Volts("300 V")}, {}, "made up for a test",
    ),
}  # fmt: skip


def picture(name: str) -> bytes:
    path = next(path for path in EXAMPLES if path.stem == name)
    return to_png(read(path)[2], STATES[name], SCALE)


@pytest.mark.parametrize("name", STATES)
def test_pictures_look_as_approved(name: str, remake_golden: bool) -> None:
    golden = GOLDEN / f"{name}.png"
    if remake_golden:
        GOLDEN.mkdir(parents=True, exist_ok=True)
        golden.write_bytes(picture(name))
    now = matplotlib.image.imread(io.BytesIO(picture(name)))
    then = matplotlib.image.imread(golden)

    assert now.shape == then.shape
    assert np.mean(np.abs(now - then).max(axis=2) > DIFFERS_BY) < MOST_DIFFERENT


def test_a_different_picture_is_noticed() -> None:
    then = matplotlib.image.imread(io.BytesIO(picture("6v6_single_ended")))
    moved = np.roll(then, 3, axis=1)

    assert np.mean(np.abs(moved - then).max(axis=2) > DIFFERS_BY) > MOST_DIFFERENT


def test_size_follows_the_scale() -> None:
    drawing = read(EXAMPLES[0])[2]
    small, large = (
        matplotlib.image.imread(io.BytesIO(to_png(drawing, scale=scale))).shape
        for scale in (0.5, 1.0)
    )

    assert large[0] == pytest.approx(2 * small[0], abs=2)
    assert large[1] == pytest.approx(2 * small[1], abs=2)
