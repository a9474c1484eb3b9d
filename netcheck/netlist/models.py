"""`.model` cards: found by name from any depth, their values read as far as numbers go.

Vendors put words among the parameters (`mfg=...`); whatever is not a number, an
expression or the name of a parameter is left out.  A model inside a subcircuit goes
by `REF.name`, since two uses may give it different parameters.
"""

from __future__ import annotations

from netcheck.errors import NetcheckError, NetlistError
from netcheck.netlist.cards import Card, ModelCard, Name, Word
from netcheck.netlist.flat import DeviceModel
from netcheck.netlist.mistakes import did_you_mean, listed
from netcheck.netlist.parse import parse_expression
from netcheck.netlist.scope import Scope
from netcheck.units import parse_spice_value


class ModelShelf:
    """Models met so far, by lower-case full name."""

    def __init__(self) -> None:
        self.models: dict[str, DeviceModel] = {}

    def find(self, name: str, scope: Scope) -> tuple[Scope, Card] | None:
        """Return the nearest model of that name and the scope it stands in."""
        here: Scope | None = scope
        while here is not None:
            if (card := here.definition.models.get(name.lower())) is not None:
                return here, card
            here = here.parent
        return None

    def use(self, card: Card, word: Word, scope: Scope) -> str:
        """Return the full name of the model that a device names."""
        found = self.find(word.text, scope)
        if found is None:
            hint = did_you_mean(word.text, self._names(scope))
            if not hint and scope.skipped:
                hint = f"these includes were skipped: {listed(scope.skipped)}"
            raise NetlistError(
                f"there is no .model `{word.text}`",
                span=card.span(word),
                source=card.line.source,
                hint=hint or "add its .model card to the netlist",
            )
        return self.enter(*found)

    def enter(self, scope: Scope, card: Card) -> str:
        """Read a model once; returns its full name."""
        content = card.content
        assert isinstance(content, ModelCard)
        name = scope.prefix + content.name.text
        if name.lower() not in self.models:
            values: dict[str, float] = {}
            for key, text in content.values:
                if (value := _value(text, card, scope)) is not None:
                    values[key.text.lower()] = value
            self.models[name.lower()] = DeviceModel(
                name, content.kind.text.lower(), values, card.span()
            )
        return name

    def _names(self, scope: Scope) -> list[str]:
        here: Scope | None = scope
        names: list[str] = []
        while here is not None:
            names += here.definition.models
            here = here.parent
        return names


def _value(word: Word, card: Card, scope: Scope) -> float | None:
    text = word.text
    if text[0] in "{'":
        expression = parse_expression(text[1:-1], card.line, word.start + 1, scope.limits)
        if isinstance(expression, Name) and not scope.is_known(expression.name):
            return None
        return scope.number(expression, card)
    if text[0].isdigit() or text[0] in "+-.":
        try:
            return parse_spice_value(text).value
        except NetcheckError:
            return None
    return scope.number_of(text, card) if scope.is_known(text) else None
