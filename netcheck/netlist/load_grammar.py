"""Finds the grammar files and builds the parser, once a process.

In an installed package the files lie in `netcheck/grammar/`; in a checkout they lie
beside the package, in `grammar/`.  The parser is LALR with a contextual lexer, since
in a netlist it depends on the place whether `B+` is a net or a sum.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from lark import Lark, Token, Transformer
from lark.visitors import merge_transformers

from netcheck.netlist.transform import CardTransformer, ExpressionTransformer, Notebook


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
