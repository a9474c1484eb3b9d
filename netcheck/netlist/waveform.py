"""What a V or I card says: `10`, `DC 10`, `AC 1`, `SIN(0 1 1k)` and mixtures.

Only what netcheck needs is kept: the DC value, whether the source alternates, and
amplitude and frequency of a sine.  Where no DC value is given, it is the value the
waveform begins with, which is what an operating point sees.
"""

from __future__ import annotations

from collections.abc import Sequence

from netcheck.netlist.cards import Card, Formula, PartCard, Setting, Value, Wave, Word
from netcheck.netlist.flat import Waveform
from netcheck.netlist.scope import Scope
from netcheck.netlist.values import ValueReader

_KINDS = frozenset({"sin", "sine", "pulse", "pwl", "exp", "sffm", "am"})
_FIRST_IS_TIME = frozenset({"pwl"})
_FILES = frozenset({"wavefile", "file"})


class _Reader:
    """Goes through the words of one card."""

    def __init__(self, card: Card, content: PartCard, values: ValueReader, scope: Scope) -> None:
        self.card, self.values, self.scope = card, values, scope
        self.kind = content.letter.lower()
        self.ref = scope.prefix + content.ref.text
        self.queue: list[Value] = list(content.values)
        self.dc: float | None = None
        self.alternating = False
        self.amplitude = self.frequency = 0.0
        self.begins = 0.0

    def number(self, value: Value) -> float:
        return self.values.read(self.card, value, self.kind, self.scope, self.ref)[0]

    def words(self) -> None:
        while self.queue:
            item = self.queue.pop(0)
            word = item.text.lower() if isinstance(item, Word) else ""
            if word == "dc" and self.queue:
                self.dc = self.number(self.queue.pop(0))
            elif word == "ac":
                self.alternating = True
                for _ in range(2):
                    if self.queue and _is_number(self.queue[0]):
                        self.number(self.queue.pop(0))
            elif word in _KINDS:
                self.wave(Wave(word, tuple(self.queue)))
                self.queue = []
            elif word not in {"dc", "="}:
                self.dc = self.number(item)

    def wave(self, wave: Wave) -> None:
        numbers = [self.number(value) for value in wave.values]
        self.alternating = True
        first = 1 if wave.kind in _FIRST_IS_TIME else 0
        if len(numbers) > first:
            self.begins = numbers[first]
        if wave.kind in {"sin", "sine"}:
            self.amplitude, self.frequency = ([*numbers[1:3], 0.0, 0.0])[:2]

    def setting(self, setting: Setting) -> bool:
        """Take `dc=`, `ac=` and file names; tell whether it was one of them."""
        key = setting.key.text.lower()
        if key in _FILES:
            message = f"{self.ref}: the waveform file was not read"
            self.values.log.add("file-not-read", "note", message, self.card.span(), self.ref)
            self.alternating = True
            return True
        if key not in {"dc", "ac"} or setting.expression is None:
            return False
        value = self.number(Formula(setting.expression))
        if key == "dc":
            self.dc = value
        else:
            self.alternating = True
        return True


def _is_number(value: Value) -> bool:
    return isinstance(value, Formula) or value.text[0] in "+-.0123456789"


def read_waveform(
    card: Card, content: PartCard, values: ValueReader, scope: Scope
) -> tuple[Waveform, str, Sequence[Setting]]:
    """Return the waveform, its text as written, and the settings that are left."""
    reader = _Reader(card, content, values, scope)
    reader.words()
    for wave in content.waves:
        reader.wave(wave)
    rest = [setting for setting in content.settings if not reader.setting(setting)]
    level = reader.begins if reader.dc is None else reader.dc
    form = Waveform(level, reader.alternating, reader.amplitude, reader.frequency)
    text = card.line.text[content.words[-1].end :]
    return form, " ".join(text.split()), rest
