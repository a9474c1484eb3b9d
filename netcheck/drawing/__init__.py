"""The schematic of a circuit, drawn from its netlist, with readings on it.

Comes in: a circuit, its roles, and what was solved.  Goes out: a `Drawing` (places
only, the same for every fault), `Annotations` (what is written on it), and from
both SVG text or PNG bytes.
"""

from netcheck.drawing.annotations import Annotations, annotate, role_annotations
from netcheck.drawing.arrange import draw_circuit
from netcheck.drawing.model import Drawing
from netcheck.drawing.svg import Fragment, fragments, stylesheet, to_png, to_svg

__all__ = [
    "Annotations",
    "Drawing",
    "Fragment",
    "annotate",
    "draw_circuit",
    "fragments",
    "role_annotations",
    "stylesheet",
    "to_png",
    "to_svg",
]
