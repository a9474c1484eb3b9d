"""The parser, built from its grammar files, and from its rules to cards and expressions.

One short method a rule of `grammar/*.lark`, under the rule's name.  The parser calls
them while it reads, so no tree is built and no depth of nesting can exhaust the
stack.  What a method notices by the way (places of names, rulings on numbers) goes
into the `Notebook`, which the caller empties before each card.

The parser is built once a process.  It is LALR with a contextual lexer, since in a
netlist it depends on the place whether `B+` is a net or a sum.  In an installed package
the grammar files lie in `netcheck/grammar/`; in a checkout they lie beside the package,
in `grammar/`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from lark import Lark, Token, Transformer, v_args
from lark.visitors import merge_transformers

from netcheck.errors import NetcheckError
from netcheck.netlist.cards import (
    Binary,
    Call,
    Choice,
    Current,
    EndCard,
    EndsCard,
    Expression,
    Formula,
    GlobalCard,
    IncludeCard,
    ModelCard,
    Name,
    Number,
    ParamCard,
    PartCard,
    Setting,
    SubcktCard,
    Unary,
    Value,
    Voltage,
    Wave,
    Word,
)
from netcheck.units import Ruling, parse_spice_value


class MistakeError(Exception):
    """A mistake inside a card, with offsets into its line."""

    def __init__(self, message: str, start: int, end: int, hint: str = "") -> None:
        super().__init__(message)
        self.message, self.start, self.end, self.hint = message, start, end, hint


@dataclass(slots=True)
class Notebook:
    """What was noticed while one card was read."""

    places: dict[str, tuple[int, int]] = field(default_factory=dict)
    rulings: list[tuple[Ruling, int, int]] = field(default_factory=list)

    def clear(self) -> None:
        """Begin a new card."""
        self.places, self.rulings = {}, []

    def see(self, token: Token) -> None:
        """Remember the first place of a name."""
        self.places.setdefault(token.lower(), _offsets(token))


def _offsets(token: Token) -> tuple[int, int]:
    return token.start_pos or 0, token.end_pos or 0


def word(token: Token) -> Word:
    """Make a word of a token."""
    return Word(str(token), *_offsets(token))


@v_args(inline=True)
class ExpressionTransformer(Transformer[Token, Expression]):
    """`grammar/expressions.lark`."""

    def __init__(self, notebook: Notebook) -> None:
        super().__init__()
        self.notebook = notebook

    def number(self, token: Token) -> Number:
        """A number with a SPICE suffix."""
        try:
            read = parse_spice_value(str(token))
        except NetcheckError as error:
            raise MistakeError(error.message, *_offsets(token), error.hint) from None
        self.notebook.rulings += [(ruling, *_offsets(token)) for ruling in read.rulings]
        return Number(read.value)

    def name(self, token: Token) -> Name:
        """A parameter."""
        self.notebook.see(token)
        return Name(str(token))

    def voltage(self, _: Token, net: Token, reference: Token | None = None) -> Voltage:
        """V(net) or V(net, reference)."""
        self.notebook.see(net)
        if reference is None:
            return Voltage(str(net))
        self.notebook.see(reference)
        return Voltage(str(net), str(reference))

    def current(self, _: Token, source: Token) -> Current:
        """I(source)."""
        self.notebook.see(source)
        return Current(str(source))

    def call(self, function: Token, *arguments: Expression) -> Call:
        """A function with its arguments."""
        self.notebook.see(function)
        return Call(str(function), tuple(arguments))

    def unary(self, operator: Token, operand: Expression) -> Expression:
        """A sign or a negation; a signed number is a number."""
        if isinstance(operand, Number) and operator in "+-":
            return Number(-operand.value if operator == "-" else operand.value)
        return Unary(str(operator), operand)

    def binary(self, left: Expression, operator: Token, right: Expression) -> Binary:
        """Two operands."""
        return Binary(str(operator), left, right)

    def choice(self, condition: Expression, a: Expression, b: Expression) -> Choice:
        """Condition ? a : b."""
        return Choice(condition, a, b)


def _split(items: tuple[Any, ...]) -> tuple[tuple[Word, ...], tuple[Value, ...]]:
    """Split mixed tokens and formulas into words and values."""
    words = tuple(word(item) for item in items if isinstance(item, Token))
    return words, tuple(item for item in items if isinstance(item, Formula | Word))


@v_args(inline=True)
class CardTransformer(Transformer[Token, Any]):
    """`grammar/netlist.lark`."""

    def net(self, token: Token) -> Token:
        """A net."""
        return token

    def plain(self, token: Token) -> Word:
        """A value without braces."""
        return word(token)

    def value(self, formula: Formula) -> Formula:
        """A value in braces."""
        return formula

    level = value

    def braced(self, expression: Expression) -> Formula:
        """An expression in braces or quotes."""
        return Formula(expression)

    def wave(self, kind: Token, *values: Any) -> Wave:
        """SIN(...) and its like."""
        items = (word(v) if isinstance(v, Token) else v for v in values)
        return Wave(kind.rstrip("( \t").lower(), tuple(items))

    def setting(self, key: Token, expression: Expression) -> Setting:
        """Key=expression."""
        return Setting(word(key), expression)

    def text_setting(self, key: Token, text: Token) -> Setting:
        """Key="text"."""
        return Setting(word(key), text=str(text)[1:-1])

    def settings(self, *settings: Setting) -> tuple[Setting, ...]:
        """All settings of a card."""
        return settings

    def passive(self, ref: Token, *items: Any) -> PartCard:
        """R, C and L."""
        words, values = _split(items[:-1])
        return PartCard(word(ref), words, values, settings=items[-1])

    controlled = passive
    steered = passive
    coupling = passive
    behavioral = passive
    device = passive
    use = passive

    def formula(self, ref: Token, *items: Any) -> PartCard:
        """E and G with `VALUE {...}`, written without the equals sign."""
        plus, minus, form, formula, settings = items
        setting = Setting(word(form), formula.expression)
        return PartCard(word(ref), (word(plus), word(minus)), settings=(setting, *settings))

    def supply(self, ref: Token, plus: Token, minus: Token, *items: Any) -> PartCard:
        """V and I."""
        return PartCard(
            word(ref),
            (word(plus), word(minus)),
            tuple(item for item in items if isinstance(item, Formula | Word)),
            tuple(item for item in items if isinstance(item, Wave)),
            tuple(item for item in items if isinstance(item, Setting)),
        )

    def params(self, settings: tuple[Setting, ...]) -> ParamCard:
        """.param."""
        return ParamCard(settings)

    def model_value(self, key: Token, text: Token) -> tuple[Word, Word]:
        """Key=text inside a model."""
        return word(key), word(text)

    def model(self, name: Token, kind: Token, *items: Any) -> ModelCard:
        """.model."""
        pairs = tuple(item for item in items if isinstance(item, tuple))
        return ModelCard(word(name), word(kind), pairs)

    def subckt(self, name: Token, *items: Any) -> SubcktCard:
        """.subckt."""
        return SubcktCard(word(name), tuple(word(pin) for pin in items[:-1]), items[-1])

    def ends(self, name: Token | None = None) -> EndsCard:
        """.ends."""
        return EndsCard(word(name) if name is not None else None)

    def include(self, *paths: Token) -> IncludeCard:
        """.include."""
        return IncludeCard(" ".join(path.strip("\"'") for path in paths))

    def library(self, *paths: Token) -> IncludeCard:
        """.lib, with the section where one is named."""
        parts = [path.strip("\"'") for path in paths]
        if len(parts) == 2 and not set(parts[1]) & set("./\\"):
            return IncludeCard(parts[0], parts[1])
        return IncludeCard(" ".join(parts))

    def end(self) -> EndCard:
        """.end."""
        return EndCard()

    def global_(self, *nets: Token) -> GlobalCard:
        """.global."""
        return GlobalCard(tuple(word(net) for net in nets))


def grammar_folder() -> Path:
    """Return the folder that holds `netlist.lark`."""
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "grammar", package.parent / "grammar"):
        if (folder / "netlist.lark").is_file():
            return folder
    raise FileNotFoundError("the grammar files of netcheck are missing; install it again")


@lru_cache(maxsize=1)
def load_parser() -> tuple[Lark, Notebook]:
    """Return the parser and the notebook its transformer writes into."""
    notebook = Notebook()
    transformer: Transformer[Token, object] = merge_transformers(  # type: ignore[no-untyped-call]
        CardTransformer(), expressions=ExpressionTransformer(notebook)
    )
    parser = Lark.open(
        str(grammar_folder() / "netlist.lark"),
        parser="lalr",
        start="card",
        maybe_placeholders=False,
        transformer=transformer,
    )
    return parser, notebook
