"""What a library of half a megabyte costs: cards parsed, counted; seconds are printed."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from netcheck.netlist import gather
from netcheck.pipeline import load_circuit

BYTES = 500_000
TARGET_S = 1.2
"""Wanted on two ordinary cores; printed, not judged."""
MODEL = """* triode number {0}, made up for this bench
.SUBCKT TRIODE{0} 1 2 3 ; A G C
+ PARAMS: MU={1} EX=1.4 KG1=1060 KP=600 KVB=300 RGI=2000
X1 1 2 3 CORE{0} MU={{MU}}
R1 2 5 {{RGI}}
D3 5 3 DX
.MODEL DX D(IS=1N RS=1 CJO=10PF TT=1N)
.ENDS TRIODE{0}
.SUBCKT CORE{0} 1 2 3 MU=20
E1 7 0 VALUE={{V(1,3)/600*LOG(1+EXP(600*(1/MU+V(2,3)/SQRT(300+V(1,3)*V(1,3)))))}}
RE1 7 0 1G
G1 1 3 VALUE={{(PWR(V(7),1.4)+PWRS(V(7),1.4))/1060}}
RCP 1 3 1G
C1 2 3 2.3P
C2 1 2 2.4P
.ENDS
"""
AMPLIFIER = """one triode out of a large library
.include big.lib
VHT ht 0 250
R1 ht p 100k
X1 p g k TRIODE7
R2 k 0 1k
R3 g 0 1meg
"""
INNER_CARDS, SUBCIRCUITS, MAIN_CARDS = 10, 2, 6


def test_of_a_large_library_only_what_is_called_is_parsed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    models = [MODEL.format(number, 20 + number % 80) for number in range(BYTES // 440)]
    (tmp_path / "big.lib").write_text("".join(models))
    (tmp_path / "amp.cir").write_text(AMPLIFIER)
    (tmp_path / "small.cir").write_text(AMPLIFIER.replace(".include big.lib", models[7]))
    small = load_circuit(tmp_path / "small.cir")
    parse, parsed = gather.parse_card, []
    monkeypatch.setattr(gather, "parse_card", lambda *of: parsed.append(of) or parse(*of))

    begin = time.process_time()
    circuit = load_circuit(tmp_path / "amp.cir")
    spent_s = time.process_time() - begin

    size = (tmp_path / "big.lib").stat().st_size
    print(f"\n{size} bytes, {len(parsed)} cards parsed, {spent_s:.2f} s (wanted {TARGET_S} s)")
    heads = 2 * SUBCIRCUITS * len(models)
    assert size > 0.9 * BYTES
    assert len(parsed) == heads + INNER_CARDS + MAIN_CARDS
    assert [(tube.ref, tube.pins) for tube in circuit.tubes] == [
        (tube.ref, tube.pins) for tube in small.tubes
    ]
    assert list(circuit.parts) == list(small.parts)
