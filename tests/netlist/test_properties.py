"""What holds for every netlist, tried on many."""

from __future__ import annotations

import contextlib
import random
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from netcheck.errors import NetcheckError
from netcheck.netlist import FlatElement, FlatNetlist, read_netlist_text
from tests.netlist.conftest import is_tube


def read(text: str) -> FlatNetlist:
    return read_netlist_text(text, "t.cir", None, is_tube=is_tube)


def reads_or_refuses(text: str) -> None:
    with contextlib.suppress(NetcheckError):
        read(text)


PIECES = st.sampled_from(
    ["R1", "X1", "V1", "E1", "G2", "B1", "K1", "D1", "a", "b", "0", "12AX7", "1k", "4k7", "{", "}",
     "(", ")", "'", '"', "=", ",", "+", "-", "*", "/", "**", "^", "?", ":", ";", ";!", "$", "//",
     "power=5W", "tol=", "VALUE=", "v=", "V(a)", "I(V1)", "if(", "table(", "\n", "\n+", "\n*", " ",
     ".param", ".subckt", ".ends", ".model", ".include", ".lib", ".end", ".control", "PARAMS:",
     "x=", "{x}", "SIN(", "DC", "AC", "PWL", "POLY(", "1e999", "nan", "\t", "µ", "Ω", "\x00", "é"]
)  # fmt: skip


@settings(max_examples=150, deadline=2000)
@given(st.text(max_size=200))
def test_any_text_reads_or_is_refused(text: str) -> None:
    reads_or_refuses(text)


@settings(max_examples=400, deadline=2000)
@given(st.lists(PIECES, max_size=40), st.booleans())
def test_any_mixture_of_pieces_reads_or_is_refused(pieces: list[str], spaced: bool) -> None:
    reads_or_refuses("t\n" + (" " if spaced else "").join(pieces))


@settings(max_examples=100, deadline=2000)
@given(st.binary(max_size=200))
def test_any_bytes_decode_or_are_refused(data: bytes) -> None:
    from netcheck.netlist.lines import decode

    with contextlib.suppress(NetcheckError):
        reads_or_refuses(decode(data, "t.cir"))


CARDS = [
    "VHT ht 0 {b} ;! follows_mains",
    "R1 ht p1 100k ;! power=1W",
    "X1 p1 g1 k1 12AX7 ;! envelope=V1",
    "R2 k1 0 1.5k",
    "C1 k1 0 22u",
    "X2 p1 g2 net1 coupler",
    "R3 g2 0 1meg",
    ".param b=250",
    "B1 o 0 v=V(p1)*2+I(VHT)",
    "R4 o 0 1k",
    "L1 o 0 1",
    "L2 net1 0 2",
    "K1 L1 L2 0.9",
    ".subckt coupler a b c\nC1 a m 100n\nR1 m b {r}\nR2 m c 1\n.param r=1k\n.ends",
]


def without_place(element: FlatElement) -> FlatElement:
    span = replace(element.span, line=0, end_line=0)
    return replace(element, span=span, body=tuple(without_place(e) for e in element.body))


def as_set(netlist: FlatNetlist) -> dict[str, FlatElement]:
    return {element.ref: without_place(element) for element in netlist.elements}


@settings(max_examples=40, deadline=2000)
@given(st.randoms(use_true_random=False))
def test_the_order_of_cards_does_not_matter(chance: random.Random) -> None:
    shuffled = CARDS[:]
    chance.shuffle(shuffled)

    assert as_set(read("t\n" + "\n".join(shuffled))) == as_set(read("t\n" + "\n".join(CARDS)))


@settings(max_examples=60, deadline=2000)
@given(st.data())
def test_a_card_may_be_broken_between_any_words(data: st.DataObject) -> None:
    words = ["R1", "net_a", "net_b", "4.7k", "tol=5"]
    breaks = st.sampled_from([" ", "\n+ ", "\n+", "\n* comment\n+ ", " ; x\n  + ", "\n\n+\t"])
    text = words[0] + "".join(data.draw(breaks) + word for word in words[1:])

    (element,) = read(f"t\n{text}\n").elements

    assert (element.nodes, element.value) == (("net_a", "net_b"), 4700.0)
    assert dict(element.parameters) == {"tol": 5.0}
    assert element.span.end_line == 2 + text.count("\n")
