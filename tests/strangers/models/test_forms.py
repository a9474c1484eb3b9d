"""Tube models in the dialects of strangers' libraries, and what is no tube: `forms.toml`.

Promise: a call of a subcircuit is a tube, a block that is known, or named as unknown.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from netcheck.circuit.build import build_circuit
from netcheck.errors import NetcheckError
from netcheck.netlist import read_netlist_text
from netcheck.tubes.library import load_library

FORMS: dict[str, dict[str, Any]] = tomllib.loads((Path(__file__).parent / "forms.toml").read_text())
AROUND = """VHT ht 0 250
RP ht p 10k
RG g 0 470k
RK k 0 1k
RS ht s 1k
RP2 ht p2 10k
RG2 g2 0 470k
RK2 k2 0 1k
"""


def built(form: dict[str, Any]):
    text = f"a form of its own\n{AROUND}{form['card']}\n{form['text']}"
    library = load_library()
    return build_circuit(
        read_netlist_text(text, "form.cir", None, is_tube=library.is_tube), library
    )


@pytest.mark.parametrize("name", FORMS)
def test_a_form_of_model_is_read_as_what_it_is(name: str) -> None:
    form = FORMS[name]
    if "refused" in form:
        with pytest.raises(NetcheckError) as caught:
            built(form)
        assert [words for words in form["refused"] if words not in str(caught.value)] == []
        return

    circuit = built(form)

    tubes = {tube.ref: {pin.name: pin.net for pin in tube.pins} for tube in circuit.tubes}
    assert tubes == form["tubes"]
    types = {tube.tube.name if tube.tube else "" for tube in circuit.tubes}
    assert types == ({form["type"]} if form["tubes"] else set())
    assert set(form.get("parts", ())) <= set(circuit.parts)
    rules = {finding.rule for finding in circuit.findings}
    assert set(form.get("rules", ())) <= rules
    assert ("tube-without-type" in rules) == (bool(form["tubes"]) and not form["type"])
    assert ("unknown-block" in rules) == ("unknown-block" in form.get("rules", ()))
    said = "\n".join(finding.message for finding in circuit.findings)
    assert [words for words in form.get("says", ()) if words not in said] == []
