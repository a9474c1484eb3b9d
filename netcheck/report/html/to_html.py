"""HTML: the audit as one self-contained page for people.

Comes in: an `Audit`.  Goes out: the text of one file that asks no network for
anything; its content security policy would refuse it.  Tables, plots and the healthy
drawing are in the page as it stands, so that it reads and prints without a script; the
script sorts, filters, and shows other states of the drawing.  What a user named passes
through the template's escaping; style sheets and script are allowed by their hash.
"""

from __future__ import annotations

import base64
import hashlib
from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from netcheck.drawing import draw_circuit, stylesheet, to_svg
from netcheck.likelihoods import LIKELIHOOD_WORDS
from netcheck.models import facts
from netcheck.models.audit import Audit
from netcheck.models.diagnosis import Diagnosis
from netcheck.models.view import filters, hidden_faults, shown_tipping
from netcheck.report import diagnosis_html
from netcheck.report.html import tables
from netcheck.report.html.plate_plot import plate_plots
from netcheck.report.html.states import States, pack
from netcheck.report.html.tipping_plot import tipping_svg
from netcheck.report.terminal.healthy import cautions
from netcheck.report.terminal.opening import verdict_sentence
from netcheck.report.terminal.tipping import MEASURE, NO_TIP, tipping_sentence
from netcheck.report.words import VERDICT_WORDS, defect_words, joined
from netcheck.tipping import TippingPoint
from netcheck.units import format_quantity


def render(audit: Audit, diagnosis: Diagnosis | None = None) -> str:
    """Return the page, with a diagnosis of readings where there are any."""
    css, script = _file("page.css"), _file("page.js")
    drawing = draw_circuit(audit.circuit, audit.roles)
    states = States(audit, drawing)
    payload = pack(states.payload())
    points = facts.sorted_tipping(shown_tipping(audit))
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    page = environment.from_string(_file("page.html.j2"))
    return page.render(
        diagnosis=diagnosis_html.section(diagnosis) if diagnosis else "",
        policy=_policy((css, stylesheet()), script),
        css=Markup(css),
        script=Markup(script),
        payload=Markup(payload),
        file=facts.shown_file(audit.file),
        title=facts.shown_title(audit) or facts.shown_file(audit.file),
        verdict=verdict_sentence(audit),
        verdict_key=facts.healthy_verdict(audit),
        cautions=cautions(audit),
        drawing=Markup(to_svg(drawing, states.healthy_annotations())),
        faults=tables.fault_rows(audit),
        hidden=hidden_faults(audit),
        filters=filters(audit.view),
        verdicts=VERDICT_WORDS,
        likelihoods=LIKELIHOOD_WORDS,
        walks=[(f"{joined(walk.parts)} {defect_words(walk.kind)}") for walk in audit.walks],
        conditions=tables.condition_lines(audit),
        tipping=Markup(tipping_svg(points)),
        tipping_lines=_sentences(audit, points),
        without_tip=[
            (words, ids) for status, words in NO_TIP.items() if (ids := _ids(points, status))
        ],
        measure=MEASURE,
        plates=[(plot, Markup(plot.svg)) for plot in plate_plots(audit)],
        parts=tables.part_rows(audit),
        findings=tables.finding_rows(audit),
        assumptions=audit.assumptions,
        unrecognised=audit.roles.unrecognised,
        not_judged=audit.not_judged,
        engine=audit.engine,
        meter=format_quantity(audit.meter_ohm, "ohm") if audit.meter_ohm else "",
        drive=facts.drive_words(audit),
        sources=tables.sources(audit),
    )


def _file(name: str) -> str:
    return (resources.files("netcheck.report.html") / name).read_text(encoding="utf-8")


def _policy(styles: tuple[str, ...], script: str) -> str:
    """Return a policy that allows the page's own styles and script, and nothing else."""

    def digest(text: str) -> str:
        return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")

    allowed = " ".join(f"'sha256-{digest(style)}'" for style in styles)
    return (
        f"default-src 'none'; style-src {allowed}; script-src 'sha256-{digest(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )


def _sentences(audit: Audit, points: list[TippingPoint]) -> list[str]:
    groups: dict[str, list[TippingPoint]] = {}
    for point in points:
        if point.status in ("found", "already_over"):
            groups.setdefault(point.fault_id, []).append(point)
    limits = facts.limit_table(audit)
    return [tipping_sentence(group, limits) for group in groups.values()]


def _ids(points: list[TippingPoint], status: str) -> str:
    return joined(list(dict.fromkeys(one.fault_id for one in points if one.status == status)))
