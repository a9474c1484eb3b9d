"""How hot an overload makes a part, and how soon: estimates, never measurements.

Comes in: how many times its rating a part bears.  Goes out: for a plate the range of
its temperature, whether it glows and after how long; for screens, grids, resistors, windings
and faulty spots the heat as a multiple of the rated one, when it is too hot, and a plain word.

A plate in a vacuum loses its heat by radiation, with the fourth power of its absolute
temperature (Stefan and Boltzmann).  It also radiates what heater and screen put into
it, and faces a bulb of some 150 degrees.  Nobody publishes how hot a plate is at its
rating: 400 to 475 degrees are derived from plate areas and emissivities, and the range
is carried through.  The time follows from the same law: with f = T/Tend the plate needs
`2 tau (T0/Tend)^3 [atanh f + atan f]`, taken between two temperatures, where tau is its
time constant at T0.  All else warms exponentially.

Sources: first visible red at 474 degrees C in twilight and 525 in daylight, dark red 700,
cherry 800 (heat-color scale of a stove forum, hearth.com; 525 is the Draper point); time
constants derived from 4 to 10 g of iron or nickel on 12 to 45 cm2.  A screen is a fraction of a
gram of wire: 0.1 to 0.4 g of nickel (0.5 J/gK) that radiates 4 to 8 W at 800 to 900 K has
m c T / 4P of 2 to 11 s (derived).  A control grid is lighter and loses as much less.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from netcheck.judge.base import Load
from netcheck.ratings.parts import ADVISED_SHARE
from netcheck.ratings.table import rows

KELVIN = 273.15
BULB_C = 150.0
RATED_C = (400.0, 475.0)
"""Temperature of a plate at its rated dissipation: derived, see above."""
OTHER_HEAT = (0.3, 0.5)
"""Heat of heater and screen as a share of the plate's rating: derived, see above."""
SLOW_S, QUICK_S = 28.0, 10.0
"""Time constant of a plate at 400 and at 475 degrees C: derived, see above."""
TWILIGHT_C, DAYLIGHT_C, DARK_RED_C, CHERRY_C = 474.0, 525.0, 700.0, 800.0
ROOM_C, CHASSIS_C = 25.0, 70.0
"""Air around a resistor: on the bench, and under a hot chassis (assumption)."""
RESISTOR_S = (20.0, 100.0)
"""Time constants: a wirewound resistor settles, in three of them, within one to five
minutes (common practice)."""
WINDING_S = (300.0, 1800.0)
"""Time constants: a winding warms in minutes to tens of minutes (common practice)."""
GRID_S = (2.0, 11.0)
"""Time constants of a wound grid: derived, see above."""
SPOT_S = (5.0, 60.0)
"""Time constants: a faulty spot is smaller than a resistor (assumption)."""
HOTTEST_C = 1000.0
"""Beyond this the estimate says nothing but "more"; the tube does not live to show it."""

PLATE_SOURCE = "estimate: fourth-power law, plate at 400 to 475 C at its rating (derived)"
RESISTOR_SOURCE = "estimate: slope of the published load curve; wording is common practice"
WINDING_SOURCE = "estimate: copper loss grows with the square of the current; common practice"

GRID_SOURCE = "estimate: time constant derived from wires of 0.1 to 0.4 g; common practice"
SPOT_SOURCE = "estimate: over a floor that nothing of its kind survives; common practice"

Body = Literal["plate", "screen", "grid", "resistor", "winding", "faulty spot"]


@dataclass(frozen=True, slots=True)
class Heat:
    """What an overload does to one part.

    times_rated: heat over rated heat.  low_c, high_c: temperature it settles at, None
    where nothing is known.  soonest_s, latest_s: for a plate the time to the first
    visible glow, None where it does not glow; for others until it is hotter than its
    rating allows, None where it stays below.
    """

    part: str
    quantity: str
    condition: str
    body: Body
    times_rated: float
    low_c: float | None
    high_c: float | None
    soonest_s: float | None
    latest_s: float | None
    word: str
    source: str


def heats_of(stresses: Iterable[Load]) -> tuple[Heat, ...]:
    """Return the heat of each stress that is one of heat, one for each body of each part."""
    found: dict[tuple[str, Body], Heat] = {}
    for stress in stresses:
        heat = heat_of(stress)
        if heat is not None:
            found.setdefault((heat.part, heat.body), heat)
    return tuple(found.values())


def heat_of(stress: Load) -> Heat | None:
    """Return what a judged quantity means as heat; None where it is not a heat."""
    if stress.ratio <= 0.0 or not math.isfinite(stress.ratio):
        return None
    match stress.quantity:
        case "plate_dissipation_w" | "both_plates_dissipation_w":
            return _plate(stress)
        case "power_w":
            return _resistor(stress)
    kind = _WARMING.get(stress.quantity)
    return _warming(stress, kind) if kind else None


def plate_c(times_rated: float, rated_c: float, other_heat: float) -> float:
    """Return the temperature a plate settles at [degrees C], by the fourth-power law."""
    bulb = (BULB_C + KELVIN) ** 4
    load = (times_rated + other_heat) / (1.0 + other_heat)
    return math.sqrt(math.sqrt(bulb + ((rated_c + KELVIN) ** 4 - bulb) * load)) - KELVIN


def glow_after_s(
    times_rated: float, healthy_times: float, rated_c: float, other_heat: float, tau_s: float
) -> float | None:
    """Return the time to the first glow in daylight; None where it stays dark.

    It starts at the healthy temperature.  tau_s: time constant at the rated one.
    """
    end = plate_c(times_rated, rated_c, other_heat) + KELVIN
    start = plate_c(healthy_times, rated_c, other_heat) + KELVIN
    seen = DAYLIGHT_C + KELVIN
    if end <= seen:
        return None
    if start >= seen:
        return 0.0

    def way(kelvin: float) -> float:
        share = kelvin / end
        return math.atanh(share) + math.atan(share)

    rated = rated_c + KELVIN
    return 2.0 * tau_s * (rated / end) ** 3 * (way(seen) - way(start))


def _plate(stress: Load) -> Heat:
    corners = [(RATED_C[0], OTHER_HEAT[1], SLOW_S), (RATED_C[1], OTHER_HEAT[0], QUICK_S)]
    temperatures = [plate_c(stress.ratio, rated, other) for rated, other, _ in corners]
    times = [
        glow_after_s(stress.ratio, stress.healthy_ratio, rated, other, tau)
        for rated, other, tau in corners
    ]
    low, high = (min(max(each, 0.0), HOTTEST_C) for each in (min(temperatures), max(temperatures)))
    return Heat(
        stress.part,
        stress.quantity,
        stress.condition,
        "plate",
        stress.ratio,
        low,
        high,
        times[1],
        times[0],
        _glow_word(low, high),
        PLATE_SOURCE,
    )


def _glow_word(low_c: float, high_c: float) -> str:
    if high_c < TWILIGHT_C:
        return "no visible glow"
    if high_c < DAYLIGHT_C:
        return "at most a faint glow in the dark"
    if low_c < DAYLIGHT_C:
        return "may glow red"
    if low_c < DARK_RED_C:
        return "glows red"
    return "glows bright red" if low_c < CHERRY_C else "glows cherry red and brighter"


RESISTOR_WORDS: tuple[tuple[float, str], ...] = (
    (ADVISED_SHARE, "warm"),
    (1.0, "hot: above the advised share of its rating"),
    (1.5, "over its rating: short life"),
    (2.0, "too hot: discolors and drifts"),
    (5.0, "chars and smokes"),
    (math.inf, "burns open within minutes"),
)
"""Up to this share of its rating, the word: common practice."""


def _resistor(stress: Load) -> Heat:
    word = next(text for share, text in RESISTOR_WORDS if stress.ratio <= share)
    low = ROOM_C + stress.ratio * min(_rise_c("film"), _rise_c("wirewound"))
    high = CHASSIS_C + stress.ratio * max(_rise_c("film"), _rise_c("wirewound"))
    return Heat(
        stress.part,
        stress.quantity,
        stress.condition,
        "resistor",
        stress.ratio,
        min(low, HOTTEST_C),
        min(high, HOTTEST_C),
        *_too_hot_after_s(stress.ratio, stress.healthy_ratio, RESISTOR_S),
        word,
        RESISTOR_SOURCE,
    )


def _too_hot_after_s(
    heat: float, healthy: float, tau_s: tuple[float, float]
) -> tuple[float | None, float | None]:
    """Return when a body passes the temperature of its rating, heating exponentially.

    heat, healthy: over the rated heat; it starts at the healthy temperature.
    """
    if heat <= 1.0:
        return None, None
    way = math.log((heat - min(healthy, 1.0)) / (heat - 1.0))
    return tau_s[0] * way, tau_s[1] * way


def _rise_c(body: str) -> float:
    """Return how far a body warms above its surroundings at full rating.

    The load curve falls from full rating at one temperature of the air to nothing at the
    hottest the body may be: its length is the rise at full rating.
    """
    curve = [
        (float(row["temperature_c"]), float(row["share_of_rating"]))
        for row in rows("resistor_derating")
        if row["body"] == body
    ]
    (first_c, most), (last_c, least) = curve[0], curve[-1]
    return (last_c - first_c) / (most - least)


@dataclass(frozen=True, slots=True)
class _Warming:
    """How a body warms that is known by its time constants alone.

    words: up to each multiple of the rated heat.  power: of the ratio that heat goes with.
    """

    body: Body
    tau_s: tuple[float, float]
    words: tuple[tuple[float, str], ...]
    source: str
    power: float = 1.0


WIRE_WORDS: tuple[tuple[float, str], ...] = (
    (1.0, "within its rating"),
    (1.5, "over its rating: gives off gas and emits"),
    (3.0, "glows: its wires may sag"),
    (math.inf, "glows bright: its wires sag or melt, and short"),
)
"""Up to this multiple of its rating, the word for a screen or a grid: common practice."""

_WARMING: Mapping[str, _Warming] = {
    "screen_dissipation_w": _Warming("screen", GRID_S, WIRE_WORDS, GRID_SOURCE),
    "grid_dissipation_w": _Warming("grid", GRID_S, WIRE_WORDS, GRID_SOURCE),
    "current_a": _Warming(
        "winding",
        WINDING_S,
        (
            (1.0, "within its copper loss"),
            (2.0, "hotter than meant: its insulation ages"),
            (4.0, "too hot to last"),
            (math.inf, "burns out"),
        ),
        WINDING_SOURCE,
        power=2.0,
    ),
    "fault_heat_w": _Warming(
        "faulty spot",
        SPOT_S,
        ((1.0, "hot"), (math.inf, "chars, smokes or bursts")),
        SPOT_SOURCE,
    ),
}
"""By quantity; the words for windings and spots are common practice."""


def _warming(stress: Load, kind: _Warming) -> Heat:
    heat = stress.ratio**kind.power
    return Heat(
        stress.part,
        stress.quantity,
        stress.condition,
        kind.body,
        heat,
        None,
        None,
        *_too_hot_after_s(heat, stress.healthy_ratio**kind.power, kind.tau_s),
        next(text for share, text in kind.words if heat <= share),
        kind.source,
    )
