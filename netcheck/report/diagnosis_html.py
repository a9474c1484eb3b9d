"""A diagnosis as HTML: one page to print, and a section for the page of an audit.

Comes in: a `Diagnosis`, for the page also its drawing as SVG.  Goes out: a page without
script that asks no network for anything and whose content security policy would refuse
it; or the section alone, for the style sheet of the audit's page.  What a user named
passes through the template's escaping.  A finding is bold or said, not only colored.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterator
from importlib import resources
from typing import Any

from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from netcheck.models.diagnosis import CauseLine, Diagnosis, ProbeLine, ReadingLine
from netcheck.models.facts import shown_file
from netcheck.report import diagnosis_words as words
from netcheck.report.escapes import one_line
from netcheck.report.expect_html import STYLE as SHEET_STYLE
from netcheck.report.words import joined

LISTED = 25
"""Causes listed on the page; the JSON has every one."""
STYLE = (
    SHEET_STYLE
    + """
h3 { font-size: 1.05em; margin: 1.1em 0 .3em; break-after: avoid; }
.cautions h3 { margin-top: .2em; color: #a00; }
.outcome { font-size: 1.1em; border-left: 5px solid #000; padding-left: .6em; }
.diagnosis td:last-child { min-width: 0; }
.diagnosis td ul { margin: 0; padding-left: 1.1em; }
h1, h2, th, td, li, p, code { overflow-wrap: anywhere; }
tbody th { background: none; font-weight: bold; min-width: 9em; }
.what { display: block; font-weight: normal; color: #444; font-size: .88em; }
.hint { color: #444; font-size: .88em; }
.num { text-align: right; overflow-wrap: normal; }
td.num { white-space: nowrap; }
td.blank { min-width: 6em; }
.id, code { font-family: monospace; }
.sheet { border: 1px solid #888; margin: .8em 0; overflow-x: auto; break-inside: avoid; }
.sheet svg { display: block; width: 100%; height: auto; min-width: 1300px; }
.diagnosis table { min-width: 52rem; }
@media print { .diagnosis table { min-width: 0; } .sheet { overflow: visible; border: 0; }
  .sheet svg { min-width: 0; max-height: 170mm; } }
"""
)

Json = dict[str, Any]


def render(diagnosis: Diagnosis, drawing_svg: str) -> str:
    """Return the page; `drawing_svg` is markup of our own, as `drawing_of` makes it."""
    styles = (STYLE, *re.findall(r"<style>(.*?)</style>", drawing_svg, re.DOTALL))
    drawing = Markup('<div class="sheet" tabindex="0" role="region" ')
    drawing += Markup('aria-label="Schematic, can be scrolled">\n')
    drawing += Markup(drawing_svg) + Markup("</div>")
    return _template("diagnosis.html.j2").render(
        policy=_policy(styles),
        css=Markup(STYLE),
        title=one_line(diagnosis.title) or one_line(shown_file(diagnosis.file)),
        file=one_line(shown_file(diagnosis.file)),
        engine=one_line(diagnosis.engine),
        section=_section(diagnosis, drawing if drawing_svg else Markup("")),
    )


def section(diagnosis: Diagnosis) -> Markup:
    """Return the diagnosis as a section of another page, without its drawing."""
    return _section(diagnosis, Markup(""))


def _section(diagnosis: Diagnosis, drawing: Markup) -> Markup:
    first = [pair for pair in enumerate(diagnosis.causes, 1) if pair[0] <= words.EXPLAINED]
    probes = {probe.id: probe for probe in diagnosis.probes}
    several = [group for group in diagnosis.groups if len(group.causes) > 1]
    count = len(diagnosis.readings)
    content = {
        "heading": f"Diagnosis from {count} reading{'' if count == 1 else 's'}",
        "summary": words.summary_words(diagnosis),
        "meter": diagnosis.meter,
        "cautions": [{"text": one.text, "source": one.source} for one in diagnosis.cautions],
        "readings": [_reading(line) for line in diagnosis.readings],
        "sd_note": words.SD_NOTE,
        "doubtful": diagnosis.doubtful,
        "evidence": [{"text": one.text, "words": one.words} for one in diagnosis.evidence],
        "causes": [
            _cause(rank, cause, diagnosis) for rank, cause in words.listed(diagnosis.causes, LISTED)
        ],
        "hidden": words.hidden_words(diagnosis.causes, LISTED),
        "accounts": [
            {
                "rank": rank,
                "name": words.short_name(cause.id),
                "prior": words.percent(cause.prior),
                "next_step": cause.next_step,
            }
            for rank, cause in first
        ],
        "account_rows": list(_account_rows(diagnosis, [cause for _, cause in first])),
        "groups": [
            f"Group {group.number}, {words.percent(group.probability)}: "
            f"{words.group_words(group, probes)}."
            for group in several
        ],
        "settled": diagnosis.settled,
        "probes": [_probe(probe) for probe in diagnosis.probes[: words.PROBES]],
        "lists": [
            ("Left out, and why", diagnosis.refused),
            ("Could not be weighed", diagnosis.unsolved),
            ("What this takes for granted", diagnosis.assumptions),
        ],
    }
    made = _template("diagnosis_section.html.j2").render(drawing=drawing, **_visible(content))
    return Markup(made)


def _visible(value: Any) -> Any:
    """Return the same with a visible sign for each control character; escaping comes later."""
    if isinstance(value, str):
        return one_line(value)
    if isinstance(value, dict):
        return {key: _visible(one) for key, one in value.items()}
    return [_visible(one) for one in value] if isinstance(value, list | tuple) else value


def _reading(line: ReadingLine) -> Json:
    sound = words.value_words(line.nominal, line.unit) if line.nominal == line.nominal else "-"
    return {
        "name": words.reading_name(line),
        "read": words.value_words(line.value, line.unit),
        "nominal": sound,
        "band": words.band_words(line.low, line.high, line.unit) or "-",
        "off": words.is_off(line),
        "away": words.off_words(line),
    }


def _cause(rank: int, cause: CauseLine, diagnosis: Diagnosis) -> Json:
    shared = words.group_members(diagnosis, cause) > 1
    return {
        "rank": rank,
        "percent": words.percent(cause.probability),
        "name": words.short_name(cause.id),
        "words": cause.words,
        "size": words.size_words(cause) or "-",
        "group": str(cause.group) if shared else "-",
        "overheats": joined(cause.overheats) if cause.overheats else "-",
    }


def _account_rows(diagnosis: Diagnosis, causes: list[CauseLine]) -> Iterator[Json]:
    """Yield a row for each reading and each line of evidence, a cell for each cause."""
    fits = [list(words.accounts(diagnosis.readings, cause.explained)) for cause in causes]
    for place, line in enumerate(diagnosis.readings):
        yield {
            "name": words.reading_name(line),
            "read": words.value_words(line.value, line.unit),
            "cells": [words.fit_words(fit[place][1], line.unit) if fit else "-" for fit in fits],
        }
    seen = [list(words.accounts(diagnosis.evidence, cause.evidence)) for cause in causes]
    for place, one in enumerate(diagnosis.evidence):
        cells = [words.seen_words(each[place][1]) if each else "-" for each in seen]
        yield {"name": one.text, "read": "", "cells": cells}


def _probe(probe: ProbeLine) -> Json:
    return {
        "what": f"{probe.what}, {words.situation_words(probe.situation)}",
        "gain": words.gain_words(probe),
        "red": probe.red,
        "black": probe.black,
        "reading": probe.reading,
        "foretold": [words.foretold_words(one, probe.unit) for one in probe.foretold],
    }


def _template(name: str) -> Template:
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    text = (resources.files("netcheck.report.html") / name).read_text(encoding="utf-8")
    return environment.from_string(text)


def _policy(styles: tuple[str, ...]) -> str:
    """Return a policy that allows the page's own styles, and nothing else."""
    digests = (hashlib.sha256(style.encode("utf-8")).digest() for style in styles)
    allowed = " ".join(f"'sha256-{base64.b64encode(one).decode('ascii')}'" for one in digests)
    return (
        f"default-src 'none'; style-src {allowed}; script-src 'none'; base-uri 'none'; "
        "form-action 'none'"
    )
