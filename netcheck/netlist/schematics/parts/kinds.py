"""What a drawn part is: by its simulation fields, its symbol, else by its reference.

Comes in: a `DrawnPart`.  Goes out: a word for its kind: the letter of its card, or what takes
more than one card.  Symbol
names are those of the stock libraries of the file format.
"""

from __future__ import annotations

import re

from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart

CARD_LETTERS = frozenset("RCLVIDQJMXBEGFH")
_DEVICES = {
    "NPN": "Q", "PNP": "Q", "NJFET": "J", "PJFET": "J", "NMOS": "M", "PMOS": "M",
    "SUBCKT": "X", "SW": "switch",
}  # fmt: skip
_SYMBOLS: tuple[tuple[re.Pattern[str], str], ...] = tuple(
    (re.compile(pattern, re.IGNORECASE), kind)
    for pattern, kind in (
        (r"^R_(?:Potentiometer|Trim).*", "pot"),
        (r"^(?:R|Resistor)(?:_.*)?$", "R"),
        (r"^(?:C|CP|CP1|CP_.*|C_.*|Capacitor|CAP)$", "C"),
        (r"^(?:L|Inductor|INDUCTOR)(?:_.*)?$", "L"),
        (r"^(?:VDC|VSIN|VPULSE|VPWL|VAC|VEXP|VSFFM|VAM|VSOURCE|V)$", "V"),
        (r"^(?:IDC|ISIN|IPULSE|IPWL|ISOURCE|I)$", "I"),
        (r"^Battery(?:_Cell)?$", "V"),
        (r"^D_Bridge.*", "bridge"),
        (r"^(?:D|LED|D_.*|LED_.*|DIODE)$", "D"),
        (r"^Q_.*$", "Q"),
        (r"^Fuse.*", "fusible"),
        (r"^Lamp.*", "bulb"),
        (r"^Speaker.*", "speaker"),
        (r"^SW_.*", "switch"),
        (r"^(?:Transformer|Autotransformer).*", "transformer"),
        (r"^NetTie.*", "link"),
        (r"^(?:TestPoint|MountingHole|Fiducial|Logo|Heatsink|Graphic).*", "nothing"),
        (r"^Jumper.*Open.*", "nothing"),
        (r"^(?:Jumper|SolderJumper).*", "link"),
    )
)
_SHELVES = {
    "transformer": "transformer", "switch": "switch", "diode": "D",
    "transistor_bjt": "Q", "transistor_fet": "M", "connector": "connector",
    "connector_generic": "connector", "connector_audio": "connector", "mechanical": "nothing",
    "graphic": "nothing", "jumper": "link",
}  # fmt: skip
_LETTERS = re.compile(r"[A-Za-z]+")
_REFERENCES = {
    "R": "R", "C": "C", "L": "L", "D": "D", "Q": "Q", "T": "transformer", "TR": "transformer",
    "F": "fusible", "LS": "speaker", "SW": "switch", "S": "switch", "J": "connector",
    "P": "connector", "CN": "connector", "H": "nothing", "TP": "nothing", "RV": "pot",
    "VR": "pot", "BT": "V", "LA": "bulb", "CH": "L",
}  # fmt: skip


def kind_by_symbol(part: DrawnPart) -> str:
    """Return the kind that simulation fields or the symbol tell, empty where they do not."""
    for name in ("sim.device", "spice_primitive"):
        device = part.fields.get(name, "").strip().upper()
        if device in CARD_LETTERS or device in _DEVICES:
            return _DEVICES.get(device, device)
    for pattern, kind in _SYMBOLS:
        if pattern.match(part.symbol):
            return kind
    return _SHELVES.get(part.shelf.casefold(), "")


def kind_by_reference(part: DrawnPart) -> str:
    """Return the kind that the letters of a reference usually stand for."""
    letters = _LETTERS.match(part.ref)
    return _REFERENCES.get(letters.group().upper(), "") if letters else ""
