"""Every sample in grammar/mistakes, as the user sees its message."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcheck.errors import NetcheckError
from netcheck.netlist import read_netlist

CHECKOUT = Path(__file__).resolve().parents[2]
SAMPLES = sorted((CHECKOUT / "grammar" / "mistakes").glob("*.cir"))
GOLDEN = CHECKOUT / "tests" / "golden" / "errors"


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda path: path.stem)
def test_the_message_of_a_mistake(
    sample: Path, remake_golden: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(sample.parent)
    with pytest.raises(NetcheckError) as caught:
        read_netlist(Path(sample.name), is_tube=lambda _: False)
    said = f"{caught.value}\n"
    golden = GOLDEN / f"{sample.stem}.txt"
    if remake_golden:
        golden.write_text(said, encoding="utf-8")

    assert said == golden.read_text(encoding="utf-8")


def test_every_golden_file_has_its_sample() -> None:
    assert {path.stem for path in GOLDEN.glob("*.txt")} == {path.stem for path in SAMPLES}
