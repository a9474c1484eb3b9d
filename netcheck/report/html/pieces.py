"""The pieces of a drawing that change from state to state, each kept once.

Comes in: a drawing and the annotations of one state after the other.  Goes out: a list
of texts, and for each state numbers: which element takes which classes and which
markup.  Of a net's wires only the title changes, so that alone is kept, with -1 in
place of the classes.  What a part says comes back in many states and is made into
markup once.
"""

from __future__ import annotations

from collections.abc import Hashable

from netcheck.drawing import Annotations, Drawing
from netcheck.drawing.annotations import Caption, Volts
from netcheck.drawing.paint import heading_group, net_title, part_group, slug, volts_group
from netcheck.drawing.svg import PREFIX, fragment

TITLE_ONLY = -1


class Pieces:
    """Numbers for states of one drawing; the first annotations are those of health."""

    def __init__(self, drawing: Drawing, healthy: Annotations) -> None:
        self._drawing = drawing
        self._texts: dict[str, int] = {}
        self._made: dict[Hashable, tuple[int, int]] = {}
        self._nets = tuple(dict.fromkeys(wire.net for wire in drawing.wires))
        self.ids = [
            *(f"{PREFIX}part-{slug(part.ref)}" for part in drawing.parts),
            *(f"{PREFIX}volts-{slug(label.of)}" for label in drawing.volts),
            *(f"{PREFIX}net-{slug(net)}" for net in self._nets),
            f"{PREFIX}heading",
        ]
        self._base = self._pairs(healthy)

    @property
    def texts(self) -> list[str]:
        """All pieces, by number."""
        return list(self._texts)

    @property
    def base(self) -> list[int]:
        """Classes and markup of each element in health."""
        return [number for pair in self._base for number in pair]

    def difference(self, annotations: Annotations) -> list[int]:
        """Return place, classes and markup of every element that is not as in health."""
        numbers: list[int] = []
        for place, pair in enumerate(self._pairs(annotations)):
            if pair != self._base[place]:
                numbers += (place, *pair)
        return numbers

    def _pairs(self, said: Annotations) -> list[tuple[int, int]]:
        pairs = []
        for part in self._drawing.parts:
            caption = said.captions.get(part.ref, Caption())
            screen = said.screens.get(part.ref, Caption())
            key: Hashable = ("part", part.ref, caption, screen, said.hover.get(part.ref, ""))
            if key not in self._made:
                each = fragment(part_group(part, said))
                self._made[key] = (self._piece(each.classes), self._piece(each.markup))
            pairs.append(self._made[key])
        for label in self._drawing.volts:
            key = ("volts", label, said.volts.get(label.of, Volts("")))
            if key not in self._made:
                each = fragment(volts_group(label, said))
                self._made[key] = (self._piece(each.classes), self._piece(each.markup))
            pairs.append(self._made[key])
        pairs += [(TITLE_ONLY, self._piece(net_title(net, said))) for net in self._nets]
        heading = fragment(heading_group(self._drawing, said))
        return [*pairs, (self._piece(heading.classes), self._piece(heading.markup))]

    def _piece(self, text: str) -> int:
        return self._texts.setdefault(text, len(self._texts))
