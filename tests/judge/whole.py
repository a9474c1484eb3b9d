"""Whole audits for tests of judging: from text to the result of each fault."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

from netcheck.circuit.build import build_circuit
from netcheck.models.audit import Audit
from netcheck.netlist import read_netlist_text
from netcheck.pipeline import audit_circuit
from netcheck.rank import FaultResult
from netcheck.report.progress import SilentProgress
from netcheck.solve.pool import Pool
from netcheck.tubes.library import load_library
from netcheck.workbench.settings import Settings

BEAM_POWER = """Single-ended beam power tube of the large kind, cathode bias
VHT ht 0 425 ;! follows_mains
VIN in 0 0 ;! input
R1 in g 1k
R2 in 0 100k
X1 p s g k 6L6GC
R3 ht s 100 ;! power=2W
R4 k 0 620 ;! power=10W
C1 k 0 100u ;! volts=63V
L1 ht p 12 ;! dcr=250ohm max_current=120mA
L2 sp 0 19.2m ;! dcr=0.5ohm
K1 L1 L2 0.998
R20 sp 0 8 ;! speaker power=10W
.end
"""


@cache
def audited(text: str, *, driven: bool = False) -> Audit:
    """Return the audit of a netlist, at idle or driven too."""
    library = load_library()
    circuit = build_circuit(
        read_netlist_text(text, "t.cir", Path(), is_tube=library.is_tube), library
    )
    with Pool(1, 60.0) as pool:
        options = Settings(idle_only=not driven)
        return audit_circuit(circuit, "t.cir", options, pool, SilentProgress())


def results(text: str, *, driven: bool = False) -> Mapping[str, FaultResult]:
    """Return the result of each fault by its id."""
    return {result.fault.id: result for result in audited(text, driven=driven).faults}
