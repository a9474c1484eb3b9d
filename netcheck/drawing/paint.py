"""From drawing and annotations to ink: lines, circles, shapes and texts in groups.

Comes in: a `Drawing` and `Annotations`.  Goes out: a tree of groups that SVG and
PNG writers put on paper.  Every part, net and caption is a group with an id that
stays the same for every fault, so that a page can swap what a group holds.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from netcheck.drawing.annotations import Annotations, Caption, Volts
from netcheck.drawing.model import (
    Box,
    Drawing,
    Flag,
    GroundMark,
    Label,
    PlacedPart,
    Side,
)
from netcheck.drawing.style import (
    CAPTION_PX,
    GAP,
    HALOS,
    LINE,
    pretty,
    shortened,
    text_width,
)
from netcheck.drawing.symbols import HALF, Fill, Ring, Spot, Stroke, shapes

BAR_SPAN = 1.25
"""A full bar is 125 % of the limit; the limit has its mark inside."""
WORTH_A_BAR = 0.02
"""Below this share of a limit a bar would say nothing."""
BAR_WIDTH = 2.2
BASELINE = 0.82
"""From the top of a line of text to its baseline, as a share of the line."""


@dataclass(frozen=True, slots=True)
class Line:
    """An open line."""

    points: tuple[Spot, ...]
    style: str


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle."""

    center: Spot
    radius: float
    style: str


@dataclass(frozen=True, slots=True)
class Shape:
    """A closed shape."""

    points: tuple[Spot, ...]
    style: str


@dataclass(frozen=True, slots=True)
class Text:
    """A line of text on its baseline."""

    at: Spot
    text: str
    style: str
    anchor: Side = "start"


Ink = Line | Circle | Shape | Text


@dataclass(frozen=True, slots=True)
class Group:
    """Ink that belongs together.

    data: the part or net it is about, as attribute name and value.
    """

    id: str
    kind: str
    inks: tuple[Ink, ...] = ()
    groups: tuple[Group, ...] = ()
    title: str = ""
    data: tuple[tuple[str, str], ...] = field(default=())


def slug(text: str) -> str:
    """Return a name as a piece of an id: odd letters as their number."""
    return re.sub(r"[^A-Za-z0-9-]", lambda found: f"_{ord(found.group()):x}_", text)


def paint(drawing: Drawing, annotations: Annotations) -> Group:
    """Return the whole sheet."""
    groups = [
        Group("areas", "areas", tuple(_areas(drawing))),
        Group("wires", "wires", (), tuple(net_groups(drawing, annotations))),
        Group("cores", "cores", tuple(_cores(drawing))),
        Group("grounds", "grounds", tuple(_grounds(drawing.grounds))),
        Group(
            "flags", "flags", (), tuple(_flag(number, f) for number, f in enumerate(drawing.flags))
        ),
        Group("parts", "parts", (), tuple(part_group(p, annotations) for p in drawing.parts)),
        Group("volts", "volts", (), tuple(volts_group(v, annotations) for v in drawing.volts)),
        heading_group(drawing, annotations),
        *annotations.overlay,
    ]
    return Group("sheet", "sheet", (), tuple(groups))


def heading_group(drawing: Drawing, annotations: Annotations) -> Group:
    """Return the title line, and below it what the drawing shows."""
    box = drawing.box
    inks = [Text((box.left + 2, box.top - 2.6), drawing.title, "title")]
    if annotations.heading:
        inks.append(Text((box.left + 2, box.top - 1.0), annotations.heading, "value"))
    return Group("heading", "heading", tuple(inks))


def part_group(part: PlacedPart, annotations: Annotations) -> Group:
    """Return a part's symbol, its name and value, and its captions."""
    caption = annotations.captions.get(part.ref, Caption())
    key = slug(part.ref)
    groups = [
        Group(f"mark-{key}", "mark", tuple(_marks(part, caption))),
        Group(f"symbol-{key}", "symbol", tuple(_symbol(part))),
    ]
    for label in part.labels:
        if label.kind == "name":
            groups.append(Group(f"name-{key}", "name", tuple(_name(label))))
        elif label.kind == "caption":
            inks = tuple(_caption(label, caption))
            groups.append(Group(f"caption-{key}", "caption", inks))
        elif label.kind == "screen":
            screen = annotations.screens.get(part.ref, Caption())
            groups.append(Group(f"screen-{key}", "caption", tuple(_caption(label, screen))))
    kind = f"part level-{caption.level}" + (f" {caption.mark}" if caption.mark else "")
    title = annotations.hover.get(part.ref, part.ref)
    return Group(f"part-{key}", kind, (), tuple(groups), title, (("data-part", part.ref),))


def volts_group(label: Label, annotations: Annotations) -> Group:
    """Return the idle volts of a net, with an arrow where a fault has moved them."""
    volts = annotations.volts.get(label.of, Volts(""))
    inks: tuple[Ink, ...] = ()
    if volts.text:
        sign = {1: "▲ ", -1: "▼ ", 0: ""}[volts.trend]
        style = "loud" if volts.trend else "volts"
        inks = (Text(_start(label), sign + volts.text, style, label.anchor),)
    title = net_title(label.of, annotations)
    kind = "changed" if volts.trend else ""
    return Group(
        f"volts-{slug(label.of)}",
        f"net-volts {kind}".strip(),
        inks,
        (),
        title,
        (("data-net", label.of),),
    )


def net_title(net: str, annotations: Annotations) -> str:
    """Return what a net says on hover."""
    volts = annotations.volts.get(net, Volts(""))
    title = f"net {net}: {volts.text}" if volts.text else f"net {net}"
    return f"{title}, {volts.healthy} without the fault" if volts.healthy else title


def _symbol(part: PlacedPart) -> Iterator[Ink]:
    x, y = part.at
    if part.symbol == "box":
        yield from _box_symbol(part)
        return
    for shape in shapes(part.symbol, part.turn):
        match shape:
            case Stroke(points=points, share=share):
                style = "heavy" if share > 1 else "pen"
                yield Line(tuple((x + dx, y + dy) for dx, dy in points), style)
            case Ring(center=(dx, dy), radius=radius, filled=filled):
                yield Circle((x + dx, y + dy), radius, "solid" if filled else "glass")
            case Fill(points=points):
                yield Shape(tuple((x + dx, y + dy) for dx, dy in points), "solid")


def _box_symbol(part: PlacedPart) -> Iterator[Ink]:
    body = part.body
    inner = body._replace(left=body.left + 1, right=body.right - 1)
    yield Shape(_corners(inner), "glass")
    for pin in part.pins:
        x, y = pin.at
        on_left = pin.facing == "left"
        edge = inner.left if on_left else inner.right
        yield Line(((x, y), (edge, y)), "pen")
        at = (edge + 0.3 if on_left else edge - 0.3, y + 0.25)
        yield Text(at, shortened(pin.name, 9), "pin", "start" if on_left else "end")


def _marks(part: PlacedPart, caption: Caption) -> Iterator[Ink]:
    """Yield what says that a part is hot, faulty, or moved by a fault."""
    round_ = part.symbol in ("triode", "beam", "pentode")
    if caption.share is not None and caption.level in HALOS:
        style = HALOS[caption.level]
        if round_:
            yield Circle(part.at, 3.0, style)
        elif part.symbol != "box":
            yield from (
                Line(_shifted(shape.points, part.at), style)
                for shape in shapes(part.symbol, part.turn)
                if isinstance(shape, Stroke) and _is_body(shape)
            )
        if caption.level == "over" and round_:
            yield Circle(part.at, 3.6, "ring-over")
        elif caption.level == "over":
            yield Shape(_corners(part.body.grown(0.1)), "ring-over")
    if caption.mark:
        yield Shape(_corners(part.body), caption.mark)


def _shifted(points: tuple[Spot, ...], by: tuple[int, int]) -> tuple[Spot, ...]:
    return tuple((x + by[0], y + by[1]) for x, y in points)


def _is_body(stroke: Stroke) -> bool:
    """Say whether a stroke is more than a lead to a pin."""
    return len(stroke.points) > 2 or all(max(abs(x), abs(y)) < HALF for x, y in stroke.points)


def _name(label: Label) -> Iterator[Ink]:
    x, baseline = _start(label)
    if label.box.height < 1.5 * LINE and len(label.lines) > 1:
        # Name and value on one line: the name ends where the value begins.
        ref, value = label.lines
        if not value:
            yield Text((x, baseline), ref, "name", label.anchor)
            return
        middle = label.box.left + text_width(ref, bold=True)
        if label.anchor == "middle":
            yield Text((middle, baseline), ref, "name", "end")
        else:
            yield Text((label.box.left, baseline), ref, "name")
        yield Text((middle + GAP, baseline), value, "value")
        return
    for number, line in enumerate(label.lines):
        style = "value" if number else "name"
        yield Text((x, baseline + number * LINE), line, style, label.anchor)


def _start(label: Label) -> Spot:
    box = label.box
    x = {"start": box.left, "middle": (box.left + box.right) / 2, "end": box.right}[label.anchor]
    return x, box.top + LINE * BASELINE


def _caption(label: Label, caption: Caption) -> Iterator[Ink]:
    """Yield the reading, and below it the bar with the share of the limit."""
    if not caption.text:
        return
    x, baseline = _start(label)
    style = "loud" if caption.mark else "caption"
    yield Text(
        (x, baseline),
        pretty(caption.text) if "  " not in caption.text else caption.text,
        style,
        label.anchor,
    )
    if caption.share is None or (caption.share < WORTH_A_BAR and not caption.mark):
        return
    percent = f"{caption.share:.0%}".replace("%", " %") if caption.share < 10 else "over 10x"
    if caption.level == "over":
        percent += " !"
    width = BAR_WIDTH + 0.3 + text_width(percent, CAPTION_PX)
    left = {"start": x, "middle": x - width / 2, "end": x - width}[label.anchor]
    yield from _bar(left, label.box.top + LINE + 0.2, caption)
    loud = "loud" if caption.level in ("at", "over") or caption.mark else "caption"
    yield Text((left + BAR_WIDTH + 0.3, baseline + LINE), percent, loud)


def _bar(left: float, top: float, caption: Caption) -> Iterator[Ink]:
    frame = Box(left, top, left + BAR_WIDTH, top + 0.7)
    yield Shape(_corners(frame), "bar")
    share = min(max(caption.share or 0.0, 0.0), BAR_SPAN) / BAR_SPAN
    yield Shape(_corners(frame._replace(right=left + BAR_WIDTH * share)), f"bar-{caption.level}")
    limit = left + BAR_WIDTH / BAR_SPAN
    yield Line(((limit, top - 0.15), (limit, top + 0.85)), "limit")
    if caption.mark and caption.healthy_share is not None:
        at = left + BAR_WIDTH * min(max(caption.healthy_share, 0.0), BAR_SPAN) / BAR_SPAN
        yield Shape(((at, top + 0.35), (at - 0.25, top + 0.85), (at + 0.25, top + 0.85)), "before")


def net_groups(drawing: Drawing, annotations: Annotations) -> Iterator[Group]:
    """Yield the wires of each net; its volts are in the title, also where no label fits."""
    nets = dict.fromkeys(wire.net for wire in drawing.wires)
    for net in nets:
        wires = [wire for wire in drawing.wires if wire.net == net]
        on_net = {point for wire in wires for point in _covered(wire.points)}
        inks: list[Ink] = [
            Line(tuple((float(x), float(y)) for x, y in wire.points), "wire") for wire in wires
        ]
        inks += [Circle(dot, 0.28, "dot") for dot in drawing.dots if dot in on_net]
        yield Group(
            f"net-{slug(net)}",
            "net",
            tuple(inks),
            (),
            net_title(net, annotations),
            (("data-net", net),),
        )


def _covered(points: tuple[tuple[int, int], ...]) -> Iterator[tuple[int, int]]:
    for (x1, y1), (x2, y2) in itertools.pairwise(points):
        steps = max(abs(x2 - x1), abs(y2 - y1))
        for n in range(steps + 1):
            yield x1 + (x2 - x1) * n // max(steps, 1), y1 + (y2 - y1) * n // max(steps, 1)


def _cores(drawing: Drawing) -> Iterator[Ink]:
    for core in drawing.cores:
        for shift in (-0.3, 0.3):
            yield Line(((core.x + shift, core.top), (core.x + shift, core.bottom)), "core")


def _grounds(marks: tuple[GroundMark, ...]) -> Iterator[Ink]:
    for mark in marks:
        x, y = mark.at
        if mark.hook:
            yield Line(tuple((float(a), float(b)) for a, b in mark.hook), "wire")
        yield Line(((x, y), (x, y + 0.7)), "wire")
        for number, half in enumerate((0.9, 0.55, 0.2)):
            level = y + 0.7 + 0.35 * number
            yield Line(((x - half, level), (x + half, level)), "pen")


def _flag(number: int, flag: Flag) -> Group:
    box = flag.box
    middle = (box.top + box.bottom) / 2
    point = {"right": 0, "left": 1}.get(flag.facing)
    corners = list(_corners(box))
    if point == 0:
        corners = [
            (box.left, middle),
            (box.left + 0.6, box.top),
            (box.right, box.top),
            (box.right, box.bottom),
            (box.left + 0.6, box.bottom),
        ]
    elif point == 1:
        corners = [
            (box.right, middle),
            (box.right - 0.6, box.top),
            (box.left, box.top),
            (box.left, box.bottom),
            (box.right - 0.6, box.bottom),
        ]
    shift = {0: 0.3, 1: -0.3}.get(point, 0.0) if point is not None else 0.0
    at = ((box.left + box.right) / 2 + shift, middle + 0.32)
    inks: tuple[Ink, ...] = (
        Shape(tuple(corners), "tag"),
        Text(at, shortened(flag.net, 16), "tag-text", "middle"),
    )
    return Group(f"flag-{number}", "flag", inks, (), f"net {flag.net}", (("data-net", flag.net),))


def _areas(drawing: Drawing) -> Iterator[Ink]:
    for area in drawing.areas:
        yield Shape(_corners(area.box), "frame")
        yield Text((area.box.left + 1, area.box.top + 1.4), area.heading, "heading")


def _corners(box: Box) -> tuple[Spot, ...]:
    return (
        (box.left, box.top), (box.right, box.top), (box.right, box.bottom), (box.left, box.bottom)
    )  # fmt: skip
