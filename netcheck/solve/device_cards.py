"""Tube sections, diodes and transistors as ngspice cards.

Comes in: a current law from `tubes/model.py`, a prefix for names and the nets of the
electrodes; or a `.model` card as the netlist defines it.  Goes out: behavioral sources
that draw the same currents; or the model's kind and parameters as text, named as ngspice
names them.  Only kinds and parameters known here are passed on: what a netlist writes
never reaches the engine unread.

The steps of the law stand on nodes of their own (`<prefix>_e` and so on), one
small expression each: ngspice differentiates an expression for every voltage in
it and evaluates the copies, so the law in one piece cost 60 times as much in a
transient (25 s against 0.42 s for a pair of pentodes driven for 60 ms), with the
same number of iterations within 3 percent.  Such a node is a current into 1 ohm,
which solved no slower than a voltage source and adds one unknown instead of two.
What is linear (differences of volts, gas current, leakage) is left to linear
elements, which cost a tenth of an expression.

Expressions use only functions that ngspice 39 defines for every argument:
`pwr` of a non-negative base, `sqrt` of at least a positive constant, `exp` of a
negative number.  What is raised to a power is clamped where it is used, because
within one step of an iteration a node runs away along its tangent.
"""

from __future__ import annotations

from collections.abc import Mapping

from netcheck.netlist.flat import DeviceModel
from netcheck.tubes.model import (
    CHILD,
    KNEE_FLOOR_V,
    RECTIFIER_SHARPNESS_PER_V,
    SCREEN_FLOOR_V,
    SHARE_FLOOR_V,
    GridLaw,
    Law,
    PentodeLaw,
    RectifierLaw,
    TriodeLaw,
)
from netcheck.tubes.types import TubeType

DIODE_PARAMETERS = frozenset("is n rs cjo vj m tt bv ibv eg xti fc".split())
TRANSISTOR_PARAMETERS = frozenset(
    "is bf br nf nr vaf var ikf ikr ise ne isc nc rb re rc cje cjc vje vjc mje mjc tf tr"
    " vto kp gamma phi lambda beta rd rs cgs cgd pb l w tox level".split()
)
KINDS = frozenset({"d", "npn", "pnp", "njf", "pjf", "nmos", "pmos"})


def device_text(model: DeviceModel, *, diode: bool) -> str | None:
    """Return `kind (parameter=value ...)`; None for a kind that is not read."""
    if model.kind not in KINDS:
        return None
    allowed = DIODE_PARAMETERS if diode else TRANSISTOR_PARAMETERS
    words = " ".join(
        f"{word.lower()}={value:.9g}"
        for word, value in sorted(model.parameters.items())
        if word.lower() in allowed
    )
    return f"{model.kind} ({words})"


HIGH_KV = 20.0
"""Far above use: guards what an iteration visits on its way, up to 1e260 V."""

MILLI = 1.0e-3
KILO = 1.0e3
STEEPEST = 1.0e6
"""The node of the space current carries 1 V per mA: solver tolerances are in volts."""


def tube_cards(
    prefix: str, law: Law, plate: str, screen: str | None, grid: str, cathode: str
) -> list[str]:
    """Return the cards of one section; `screen` is None for a triode."""
    if isinstance(law, TriodeLaw):
        return _triode_cards(prefix, law, plate, grid, cathode)
    if screen is None:
        raise ValueError(f"{prefix}: a pentode needs a screen net")
    return _pentode_cards(prefix, law, plate, screen, grid, cathode)


def rectifier_card(name: str, law: RectifierLaw, plate: str, cathode: str) -> str:
    """Return the card of one plate of a rectifier."""
    steep = RECTIFIER_SHARPNESS_PER_V
    volts = f"min(v({plate},{cathode}),{_n(KILO * HIGH_KV)})"
    drive = _softplus(f"({_n(steep)}*{volts})")
    return (
        f"b{name} {plate} {cathode} i={_n(law.perveance * steep**-CHILD)}*pwr({drive},{_n(CHILD)})"
    )


def capacitance_cards(
    prefix: str,
    tube: TubeType,
    plate: str,
    grid: str,
    cathode: str,
    section: str = "",
) -> list[str]:
    """Return the inter-electrode capacitors of one section.

    Sheets count the screen with the cathode in the input and output
    capacitance; both stand to the cathode here, and the screen gets none.
    """
    nets = {
        "grid_plate_f": ("gp", grid, plate),
        "input_f": ("gk", grid, cathode),
        "output_f": ("pk", plate, cathode),
    }
    cards = []
    for name in ("grid_plate_f", "input_f", "output_f"):
        row = tube.capacitance(name, section)
        if row is not None:
            suffix, one, other = nets[name]
            cards.append(f"c{prefix}{suffix} {one} {other} {row.value:.6g}")
    return cards


def changed_model_cards(
    number: int, scale: float, gas_ratio: float | None, inner: Mapping[str, str]
) -> list[str]:
    """Return what makes a user's own tube model stronger or weaker, or gassy.

    Its sensed currents are fed back on its own nodes: with a share g of what is sensed
    added, a model that draws I is sensed to draw I/(1-g).  Gas is a share of plate and
    screen current, out of the grid.
    """
    cathode = inner["cathode"]
    cards = []
    for electrode in (name for name in inner if name != "cathode"):
        letter = electrode[0]
        sense = f"v{letter}{number}"
        if scale != 1.0:
            cards.append(
                f"fs{letter}{number} {inner[electrode]} {cathode} {sense} {_n(1 - 1 / scale)}"
            )
        if gas_ratio and electrode != "grid":
            cards.append(f"fg{letter}{number} {cathode} {inner['grid']} {sense} {_n(gas_ratio)}")
    return cards


def _triode_cards(prefix: str, law: TriodeLaw, plate: str, grid: str, cathode: str) -> list[str]:
    nodes = _Nodes(prefix)
    up = nodes.difference("a", plate, cathode)
    space = _space(nodes, law, up, law.low_plate_v, law.grid_offset_v, (grid, cathode))
    return [
        *nodes.cards,
        f"g{prefix}p {plate} {cathode} {space} 0 {_n(MILLI)}",
        *_grid_cards(prefix, law.grid, space, (plate, grid, cathode)),
    ]


def _pentode_cards(
    prefix: str, law: PentodeLaw, plate: str, screen: str, grid: str, cathode: str
) -> list[str]:
    nodes = _Nodes(prefix)
    vp = nodes.difference("a", plate, cathode)
    vs = nodes.difference("s", screen, cathode)
    rounded = [f"{_n(MILLI)}*{_softplus(f'({_n(KILO)}*{volts})')}" for volts in (vs, vp)]
    round_vs = nodes.add("c", rounded[0])
    up = nodes.add("u", f"{round_vs}+{_n(law.plate_penetration)}*{rounded[1]}")
    space = _space(nodes, law, up, law.low_screen_v, 0.0, (grid, cathode))
    knee = f"({_n(law.knee_factor)}*max(v({prefix}_e),0)+{_n(KNEE_FLOOR_V * MILLI)})"
    reach = f"pwr({_within(vp)}/{knee},{_n(law.knee_exponent)})"
    floor = _n(SHARE_FLOOR_V * MILLI)
    pulled = f"({_within(vp)}+{floor})/(max({round_vs},0)+{floor})"
    still, pull = 1.0 + law.division * (1.0 - law.plate_pull), law.division * law.plate_pull
    to_plate = nodes.add("t", f"(1-1/({_n(still)}+{_n(pull)}*{pulled}))*(1-1/(1+{reach}))")
    collected = f"(1-1/(1+{_n((KILO / SCREEN_FLOOR_V) ** 2)}*pwr({_within(vs)},2)))"
    return [
        *nodes.cards,
        f"b{prefix}p {plate} {cathode} i={_n(MILLI)}*v({space})*{to_plate}",
        f"b{prefix}s {screen} {cathode} i={_n(MILLI)}*v({space})*(1-{to_plate})*{collected}",
        *_grid_cards(prefix, law.grid, space, (screen, grid, cathode)),
    ]


class _Nodes:
    """Collects the inner nodes of one section."""

    def __init__(self, prefix: str) -> None:
        self.prefix = prefix
        self.cards: list[str] = []

    def add(self, suffix: str, expression: str) -> str:
        """Add a node that follows `expression`; return how to read it."""
        name = f"{self.prefix}_{suffix}"
        self.cards += [f"b{name} 0 {name} i={expression}", f"r{name} {name} 0 1"]
        return f"v({name})"

    def difference(self, suffix: str, plus: str, minus: str) -> str:
        """Add a node that follows the voltage between two others, in kilovolts."""
        name = f"{self.prefix}_{suffix}"
        self.cards += [f"g{name} 0 {name} {plus} {minus} {_n(MILLI)}", f"r{name} {name} 0 1"]
        return f"v({name})"


def _space(
    nodes: _Nodes, law: Law, up: str, low_v: float, offset_v: float, grid_cathode: tuple[str, str]
) -> str:
    """Add the nodes from grid volts to space current [mA]; return the last one's name.

    The effective voltage stands in kilovolts, hence the power of a thousand.
    """
    kp = law.cutoff_sharpness
    w = nodes.difference("w", *grid_cathode)
    drive = f"({w}+{_n(offset_v * MILLI)})" if offset_v else w
    low = f"sqrt({_n((low_v * MILLI) ** 2)}+pwr({_within(up)},2))"
    x = nodes.add("x", f"{_n(kp / law.amplification)}+{_n(kp)}*{drive}/{low}")
    e = nodes.add("e", f"{_n(1.0 / kp)}*{up}*{_softplus(f'min({x},{_n(STEEPEST)})')}")
    scale = law.perveance * KILO**law.exponent / MILLI
    nodes.add("i", f"{_n(scale)}*pwr({_within(e)},{_n(law.exponent)})")
    return f"{nodes.prefix}_i"


def _grid_cards(prefix: str, law: GridLaw, space: str, nets: tuple[str, str, str]) -> list[str]:
    """Positive-grid current, gas current out of the grid, and leakage from `hot`."""
    hot, grid, cathode = nets
    steep = _softplus(f"({_n(law.sharpness_per_v * KILO)}*min(v({prefix}_w),{_n(HIGH_KV)}))")
    scale = law.perveance * law.sharpness_per_v**-law.exponent
    return [
        f"b{prefix}g {grid} {cathode} i={_n(scale)}*pwr({steep},{_n(law.exponent)})",
        f"g{prefix}i {grid} {cathode} {space} 0 {_n(gas_gain(law.gas_ratio))}",
        f"r{prefix}h {hot} {grid} {_n(law.leakage_ohm)}",
    ]


def gas_gain(ratio: float) -> float:
    """Return the gain that makes gas current of the space current's node."""
    return -ratio * MILLI


def _within(kilovolts: str) -> str:
    """Keep a node within 0 and far above use, where a power of it stays a number."""
    return f"min(max({kilovolts},0),{_n(HIGH_KV)})"


def _softplus(x: str) -> str:
    return f"(max({x},0)+ln(1+exp(-abs({x}))))"


def _n(value: float) -> str:
    """Write a number so that it reads back to 12 digits."""
    return f"{value:.12g}"
