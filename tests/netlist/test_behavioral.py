"""Expressions as ngspice reads them against the reader's own evaluation."""

from __future__ import annotations

import pytest

from netcheck.netlist.evaluate import FUNCTIONS, evaluate
from netcheck.netlist.flat import FlatNetlist
from netcheck.solve.behavioral import to_ngspice

VOLTS = (-3.0, -1.0, -0.25, 0.0, 0.4, 1.0, 2.5)
FORMULAS = [
    "abs(V(a))", "sqrt(V(a))", "exp(V(a))", "exp(V(a)*200)", "ln(V(a))", "log(V(a))",
    "log10(V(a))", "sin(V(a))", "cos(V(a))", "tan(V(a))", "atan(V(a))", "arctan(V(a))",
    "asin(V(a))", "acos(V(a))", "sinh(V(a))", "cosh(V(a))", "tanh(V(a))",
    "min(V(a),1)", "max(V(a),1)", "min(V(a),1,-0.5)", "max(V(a),1,V(b))",
    "pow(V(a),2)", "pow(V(a),3)", "pow(V(a),1.5)", "pow(V(b),V(a))", "pow(V(a),-1)",
    "pwr(V(a),1.5)", "pwr(V(a),2)", "pwr(V(a),3)", "pwr(V(a),0.5)",
    "pwrs(V(a),1.5)", "pwrs(V(a),2)", "pwrs(V(a),0.5)", "pwr(V(a),1.4)+pwrs(V(a),1.4)",
    "stp(V(a))", "int(V(a)*1.3)", "floor(V(a)*1.3)", "ceil(V(a)*1.3)", "nint(V(a)*1.3)",
    "sgn(V(a))", "u(V(a))", "uramp(V(a))", "limit(V(a),-1,1)", "limit(V(a),1,-1)",
    "table(V(a),-1,5,0,6,2,8)", "table(V(a),0,3)", "if(V(a)>0,1,2)",
    "V(a)^2", "V(a)^3", "V(a)**1.5", "V(a)^0", "V(a)^1", "-V(a)^2", "2^3^2", "2**-1",
    "V(a) < 0 ? 3 : V(a) < 1 ? 4 : 5", "V(a)>0 & V(b)>0", "V(a)>0 || V(b)>4", "!(V(a)>0)",
    "V(a)>=1", "V(a)<=1", "V(a)==1", "V(a)!=1", "V(a)/2-V(b)*3", "V(a,b)", "1/V(b)",
    "ln(1+exp(V(a)*400))", "log(exp(V(a))+1)",
    "V(b)/14*ln(1+exp(600*(1/100+V(a)/sqrt(300+V(b)^2))))",
]  # fmt: skip


@pytest.fixture(scope="module")
def translated() -> list[tuple[str, str]]:
    from netcheck.netlist import read_netlist_text

    cards = "\n".join(f"B{i} o{i} 0 v={text}" for i, text in enumerate(FORMULAS))
    netlist: FlatNetlist = read_netlist_text(
        f"t\nVA a 0 1\nVB b 0 2\n{cards}\n", "t.cir", None, is_tube=lambda _: False
    )
    texts = []
    for element in netlist.elements[2:]:
        assert element.expression is not None
        texts.append(
            to_ngspice(
                element.expression,
                lambda net, reference: f"v({net})" if reference == "0" else f"v({net},{reference})",
                lambda source: f"i({source})",
            )
        )
    return list(zip(FORMULAS, texts, strict=True))


@pytest.mark.parametrize("volts", VOLTS)
def test_ngspice_agrees_with_the_evaluation(volts, translated, solve_expression, read) -> None:
    nets = {"a": volts, "b": 2.0}
    found = solve_expression([text for _, text in translated], nets)
    expressions = read(
        "VA a 0 1\nVB b 0 2\n" + "\n".join(f"B{i} o{i} 0 v={t}" for i, t in enumerate(FORMULAS))
    ).elements[2:]

    for (formula, text), element, value in zip(translated, expressions, found, strict=True):
        expected = evaluate(element.expression, nets)
        assert value == pytest.approx(expected, rel=1e-6, abs=1e-12), f"{formula} -> {text}"


def test_every_function_is_among_the_formulas() -> None:
    joined = " ".join(FORMULAS)

    assert [name for name in FUNCTIONS if f"{name}(" not in joined] == []


def test_an_absurd_excursion_stays_finite(translated, solve_expression) -> None:
    texts = [text for formula, text in translated if "/V(" not in formula]

    assert all(abs(value) < 1e305 for value in solve_expression(texts, {"a": -1e4, "b": 1e4}))
