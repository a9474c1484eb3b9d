"""Plate curves of an output tube with what this circuit makes of it.

Comes in: an audit and a tube.  Goes out: one SVG and the list that goes with it.
Curves are the tube's law at its idle screen volts.  The load line has the load seen
through the turns of the windings (volts go with the square root of inductance; one
secondary and a speaker, else no line): in single-ended stages it passes through the
idle point; in push-pull it is that of a half alone, from the idle volts at no current,
which a tube follows once its partner is cut off (common practice).  The swing is the
solved full drive: its peak, and as far to the other side of the mean.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

import numpy as np

from netcheck.circuit.model import Part
from netcheck.conditions import FULL, IDLE
from netcheck.judge.base import Load
from netcheck.models.audit import Audit
from netcheck.models.facts import type_name
from netcheck.report.words import ratio_words
from netcheck.roles.base import OutputTransformer
from netcheck.solve.results import Solved, TubeState
from netcheck.tubes.model import space_currents
from netcheck.tubes.types import TubeType

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 720, 460, 64, 24, 20, 52
SAMPLES = 121
MOST_FAULTS = 5
CURVES = 9
ROOM = 1.12
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
ENDS = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
SAME = 0.03
"""Points closer than this share a mark."""
MOST_NAMES = 4
LEAST_V = 1.0
"""A tube that has no volts left, or less than none, is drawn on axes of this many."""


@dataclass(frozen=True, slots=True)
class PlatePlot:
    """One tube: its picture and what stands beside it.

    moved: number, fault id, plate volts, milliamperes and watts of the worst faults.
    """

    tube: str
    type: str
    svg: str
    idle: str
    notes: tuple[str, ...]
    moved: tuple[tuple[str, str, str, str, str, str], ...]


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Axes of one plot: volts and milliamperes to places."""

    top_v: float
    top_ma: float

    def x(self, volts: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * volts / self.top_v

    def y(self, milliamperes: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * milliamperes / self.top_ma

    def line(self, volts: np.ndarray, amps: np.ndarray, kind: str) -> str:
        places = [
            f"{self.x(float(v)):.1f} {self.y(min(float(a) * 1e3, 3 * self.top_ma)):.1f}"
            for v, a in zip(volts, amps, strict=True)
            if math.isfinite(v) and math.isfinite(a)
        ]
        return f'<path class="{kind}" d="M{"L".join(places)}"/>'


def plate_plots(audit: Audit) -> tuple[PlatePlot, ...]:
    """Return one plot for each output tube whose type has a law on file."""
    idle = audit.healthy.get(IDLE)
    if not isinstance(idle, Solved):
        return ()
    return tuple(
        _plot(audit, audit.circuit[ref], tube, idle)
        for ref in audit.roles.output_tubes
        if ref in idle.tubes and (tube := audit.circuit[ref].tube) is not None
        and tube.kind in ("triode", "pentode")
    )  # fmt: skip


def _plot(audit: Audit, part: Part, tube: TubeType, idle: Solved) -> PlatePlot:
    state = idle.tubes[part.ref]
    full = audit.healthy.get(FULL)
    driven = full.tubes.get(part.ref) if isinstance(full, Solved) else None
    volts, amps = _point(state)
    limit = _limit(audit, part.ref)
    load, how = _load_ohm(audit, part.ref)
    pair = any(len(stage.tubes) > 1 for stage in audit.roles.output_stages)
    moved = _moved(audit, part.ref, state)
    top_v = _round_up(
        ROOM * max(2.0 * volts, driven.plate_peak_v if driven else 0.0, LEAST_V), ENDS
    )
    peak = driven.cathode_peak_current_a if driven else 0.0
    needed = [2.6 * amps, peak, (limit or 0.0) / max(volts, LEAST_V) * 1.6]
    if load:
        needed.append(min(volts / load + (0.0 if pair else amps), 6.0 * max(needed)))
    near = [_point(each)[1] for _, each in moved if _point(each)[1] < 2 * max(needed)]
    sheet = _Sheet(top_v, _round_up(ROOM * 1e3 * max(*needed, *near, 1e-3), ENDS))
    at = sheet.x(max(volts, 0.0))
    body = [
        *_axes(sheet),
        f'<g clip-path="url(#clip-{_safe(part.ref)})">',
        *_curves(sheet, tube, state),
        *_limit_line(sheet, limit),
        *_load_line(sheet, volts, amps, load, pair),
        "</g>",
        *_swing(sheet, driven),
        *_moved_marks(sheet, moved),
        f'<circle class="idle" cx="{at:.1f}" cy="{sheet.y(amps * 1e3):.1f}" r="6"/>'
        f'<text class="strong halo" x="{at + 10:.1f}" '
        f'y="{sheet.y(amps * 1e3) - 8:.1f}">idle</text>',
    ]
    label = escape(f"Plate curves of {part.ref} with its idle point; readings stand below")
    svg = (
        f'<svg class="plot" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}">'
        f'<clipPath id="clip-{_safe(part.ref)}"><rect x="{LEFT}" y="{TOP}" '
        f'width="{WIDTH - LEFT - RIGHT}" height="{HEIGHT - TOP - BOTTOM}"/></clipPath>'
        f"{''.join(body)}</svg>"
    )
    text = f"{volts:.0f} V plate to cathode, {amps * 1e3:.3g} mA, {volts * amps + 0.0:.3g} W"
    notes = _notes(part, state, limit, load, how, driven, pair)
    return PlatePlot(part.ref, type_name(part), svg, text, notes, tuple(_rows(sheet, moved, limit)))


def _point(state: TubeState) -> tuple[float, float]:
    return state.plate_v - state.cathode_v, state.plate_current_a


def _limit(audit: Audit, ref: str) -> float | None:
    """Return the plate dissipation limit as compared."""
    found = [
        one.compared_limit
        for one in audit.healthy_stresses
        if one.part == ref and one.quantity == "plate_dissipation_w"
    ]
    return min(found, default=None)


def _load_ohm(audit: Audit, ref: str) -> tuple[float | None, str]:
    """Return the speaker as seen by one tube's winding, and how it was found."""
    for transformer in audit.roles.transformers:
        if ref in transformer.primaries:
            return _seen(audit, transformer, ref)
    return None, "no output transformer was recognised for it, so no load line is drawn"


def _seen(audit: Audit, transformer: OutputTransformer, ref: str) -> tuple[float | None, str]:
    parts = audit.circuit.parts

    def turns(refs: tuple[str, ...]) -> float:
        return sum(math.sqrt(parts[one].value or 0.0) for one in refs if one in parts)

    speaker = parts.get(transformer.speaker or "")
    if speaker is None or not speaker.value or len(transformer.secondaries) != 1:
        return None, "several secondaries or no speaker: no load line is drawn"
    if not turns(transformer.secondaries):
        return None, "the secondary has no inductance: no load line is drawn"
    ratio = turns(transformer.primaries[ref]) / turns(transformer.secondaries)
    load = speaker.value * ratio**2
    return load, f"{speaker.value:g} ohm through turns {ratio:.3g} to 1"


def _moved(audit: Audit, ref: str, healthy: TubeState) -> list[tuple[str, TubeState]]:
    """Return the first faults that load this tube's plate at idle and change its idle point.

    Faults that move it to the same place share an entry.
    """
    found: list[tuple[list[str], TubeState]] = []
    for result in audit.faults:
        outcome = result.conditions.get(IDLE)
        if not isinstance(outcome, Solved) or not _loads_plate(result.victims, ref):
            continue
        state = outcome.tubes.get(ref)
        if state is None or _is_near(state, healthy):
            continue  # it loads the plate under drive alone
        group = next((names for names, other in found if _is_near(state, other)), None)
        if group is not None:
            group.append(result.fault.id)
        elif len(found) < MOST_FAULTS:
            found.append(([result.fault.id], state))
    return [(_listed(names), state) for names, state in found]


def _is_near(one: TubeState, other: TubeState) -> bool:
    pairs = zip(_point(one), _point(other), strict=True)
    return all(math.isclose(a, b, rel_tol=SAME) for a, b in pairs)


def _listed(names: list[str]) -> str:
    more = len(names) - MOST_NAMES
    shown = ", ".join(names[:MOST_NAMES])
    return f"{shown} and {more} more" if more > 0 else shown


def _loads_plate(victims: tuple[Load, ...], ref: str) -> bool:
    return any(one.part == ref and one.quantity == "plate_dissipation_w" for one in victims)


def _axes(sheet: _Sheet) -> Iterator[str]:
    step_v, step_ma = _round_up(sheet.top_v / 7), _round_up(sheet.top_ma / 6)
    bottom, right = HEIGHT - BOTTOM, WIDTH - RIGHT
    for number in range(int(sheet.top_v / step_v + 1e-9) + 1):
        x = sheet.x(number * step_v)
        yield f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{bottom}"/>'
        yield (
            f'<text class="tick" x="{x:.1f}" y="{bottom + 18}" text-anchor="middle">'
            f"{number * step_v:g}</text>"
        )
    for number in range(int(sheet.top_ma / step_ma + 1e-9) + 1):
        y = sheet.y(number * step_ma)
        yield f'<line class="grid" x1="{LEFT}" x2="{right}" y1="{y:.1f}" y2="{y:.1f}"/>'
        yield (
            f'<text class="tick" x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">'
            f"{number * step_ma:g}</text>"
        )
    yield (
        f'<text class="tick" x="{(LEFT + right) / 2}" y="{HEIGHT - 10}" text-anchor="middle">'
        "plate to cathode [V]</text>"
        f'<text class="tick" transform="translate(16 {(TOP + bottom) / 2}) rotate(-90)" '
        'text-anchor="middle">plate current [mA]</text>'
    )


def _curves(sheet: _Sheet, tube: TubeType, state: TubeState) -> Iterator[str]:
    plate = np.linspace(0.0, sheet.top_v, SAMPLES)
    screen_v = None if state.screen_v is None else state.screen_v - state.cathode_v
    drawing = max(screen_v if screen_v is not None else 0.8 * sheet.top_v, LEAST_V)
    step = _round_up(1.05 * drawing / tube.law.amplification / CURVES)
    for number in range(CURVES + 2):
        grid = -step * number
        screens = plate if screen_v is None else np.full_like(plate, screen_v)
        current, _ = space_currents(tube.law, plate, screens, np.full_like(plate, grid))
        yield sheet.line(plate, current, "curve")
        inside = np.flatnonzero(current * 1e3 <= 0.97 * sheet.top_ma)
        if not len(inside) or current[inside[-1]] * 1e3 < 0.02 * sheet.top_ma:
            continue
        at = min(int(inside[-1]), SAMPLES - 6)
        yield (
            f'<text class="grid-volts halo" x="{sheet.x(float(plate[at])):.1f}" '
            f'y="{sheet.y(float(current[at]) * 1e3) - 3:.1f}" text-anchor="end">'
            f"{grid + 0.0:g} V</text>"
        )


def _limit_line(sheet: _Sheet, limit: float | None) -> Iterator[str]:
    if limit:
        start = limit * 1e3 / (1.2 * sheet.top_ma)
        volts = np.linspace(max(start, 1.0), sheet.top_v, SAMPLES)
        yield sheet.line(volts, limit / volts, "limit-line")
        at = limit * 1e3 / (0.85 * sheet.top_ma)  # high up, where few curves pass
        yield (
            f'<text class="limit-text halo" x="{sheet.x(at) + 10:.1f}" '
            f'y="{sheet.y(0.85 * sheet.top_ma):.1f}">{limit:.3g} W limit</text>'
        )


def _load_line(
    sheet: _Sheet, volts: float, amps: float, load: float | None, pair: bool
) -> Iterator[str]:
    if not load:
        return
    at_zero = volts if pair else volts + amps * load
    if at_zero <= 0.0:
        return
    ends = np.array([0.0, at_zero])
    yield sheet.line(ends, np.array([at_zero / load, 0.0]), "load-line")


def _swing(sheet: _Sheet, driven: TubeState | None) -> Iterator[str]:
    if driven is None:
        return
    high = driven.plate_peak_v
    low = max(0.0, 2.0 * (driven.plate_v - driven.cathode_v) - high)
    y = HEIGHT - BOTTOM - 7
    yield (
        f'<path class="swing" d="M{sheet.x(low):.1f} {y - 5}v10M{sheet.x(low):.1f} {y}'
        f'H{sheet.x(high):.1f}M{sheet.x(high):.1f} {y - 5}v10"/>'
        f'<text class="tick halo" x="{sheet.x(low) + 6:.1f}" y="{y - 8}">swing at full drive</text>'
    )


def _moved_marks(sheet: _Sheet, moved: list[tuple[str, TubeState]]) -> Iterator[str]:
    for number, (name, state) in enumerate(moved, 1):
        volts, amps = _point(state)
        x = min(max(sheet.x(volts), LEFT + 8), WIDTH - RIGHT - 8)
        y = min(max(sheet.y(amps * 1e3), TOP + 8), HEIGHT - BOTTOM - 8)
        yield (
            f'<g><title>{escape(name)}</title><rect class="moved" x="{x - 9:.1f}" '
            f'y="{y - 9:.1f}" width="18" height="18" rx="3"/><text class="moved-text" '
            f'x="{x:.1f}" y="{y + 4:.1f}" text-anchor="middle">{number}</text></g>'
        )


def _rows(
    sheet: _Sheet, moved: list[tuple[str, TubeState]], limit: float | None
) -> Iterator[tuple[str, str, str, str, str, str]]:
    for number, (name, state) in enumerate(moved, 1):
        volts, amps = _point(state)
        outside = volts > sheet.top_v or amps * 1e3 > sheet.top_ma
        times = ratio_words(state.plate_dissipation_w / limit) if limit else "-"
        yield (
            str(number), f"{name}{' (beyond the plot)' if outside else ''}", f"{volts:.0f}",
            f"{amps * 1e3:.3g}", f"{state.plate_dissipation_w:.3g}", times,
        )  # fmt: skip


def _notes(
    part: Part,
    state: TubeState,
    limit: float | None,
    load: float | None,
    how: str,
    driven: TubeState | None,
    pair: bool,
) -> tuple[str, ...]:
    notes = []
    if state.screen_v is not None:
        notes.append(
            f"Curves at the idle screen voltage, {state.screen_v - state.cathode_v:.0f} V to "
            "cathode; a screen that moves with the signal leaves them."
        )
    if load:
        line = "that of its half alone, its partner cut off" if pair else "through the idle point"
        notes.append(f"Load line {load:.4g} ohm ({how}), {line}.")
    else:
        notes.append(f"{how[:1].upper()}{how[1:]}.")
    if driven is None:
        notes.append("Full drive was not solved, so no swing is drawn.")
    else:
        notes.append(
            f"At full drive: {driven.plate_peak_v:.0f} V and "
            f"{driven.cathode_peak_current_a * 1e3:.3g} mA (cathode) at the peaks; "
            f"{driven.plate_dissipation_w:.3g} W on the plate over whole cycles."
        )
    if limit is None:
        notes.append(f"No plate limit on file for {part.ref}.")
    return tuple(notes)


def _safe(ref: str) -> str:
    return "".join(letter if letter.isalnum() else f"_{ord(letter):x}_" for letter in ref)


def _round_up(value: float, digits: tuple[float, ...] = STEPS) -> float:
    power = 10.0 ** math.floor(math.log10(value))
    return next(digit * power for digit in digits if digit * power >= value * (1 - 1e-9))
