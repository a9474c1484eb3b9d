"""The page as text: whole, self-contained, escaped, the same every time, and packed right."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zlib
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from sample_audit import build, circuit, fault_results, solved

from netcheck.pipeline import load_circuit
from netcheck.report.html import to_html
from netcheck.report.html.plate_plot import plate_plots
from netcheck.roles import recognise

NASTY = "</script><script>alert(1)</script>\u2028<img src=x onerror=alert(1)>\"'&"


@pytest.fixture(scope="module")
def page() -> str:
    return to_html.render(build())


def payload(text: str) -> Any:
    packed = re.search(r'id="packed">([^<]*)</script>', text)
    assert packed is not None
    return json.loads(zlib.decompress(base64.b64decode(packed.group(1))))


class Outline(HTMLParser):
    """Collects tags and attributes, and whether tags are balanced."""

    VOID = frozenset({"meta", "input", "wbr", "br", "img", "link"})

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def outline(text: str) -> Outline:
    parsed = Outline()
    parsed.feed(text)
    assert parsed.open == []
    return parsed


def test_page_is_balanced_and_ids_are_unique(page: str) -> None:
    ids = [attrs["id"] for _, attrs in outline(page).tags if "id" in attrs]

    assert len(ids) == len(set(ids))


def test_every_section_is_there_and_every_link_leads_somewhere(page: str) -> None:
    tags = outline(page).tags
    ids = {attrs.get("id") for _, attrs in tags}
    links = [attrs["href"] or "" for tag, attrs in tags if tag == "a"]

    assert all(link.startswith("#") and link[1:] in ids for link in links)
    for section in ("schematic", "ranking", "tipping", "loads", "findings", "method", "cautions"):
        assert section in ids


def test_nothing_is_loaded_from_anywhere(page: str) -> None:
    for tag, attrs in outline(page).tags:
        assert tag not in {"link", "img", "iframe", "object", "embed", "base"}
        assert not {"src", "style", "onclick", "onload"} & set(attrs), tag
    assert "@import" not in page
    assert "url(http" not in page


def test_policy_allows_only_the_styles_and_the_script_of_the_page(page: str) -> None:
    policy = re.search(r'Security-Policy" content="([^"]*)"', page)
    assert policy is not None
    allowed = policy.group(1).replace("&#39;", "'")

    assert "default-src 'none'" in allowed
    assert "unsafe" not in allowed
    for kind, text in re.findall(r"<(style|script)>(.*?)</\1>", page, re.DOTALL):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        rule = next(one for one in allowed.split("; ") if one.startswith(kind))
        assert f"'sha256-{digest}'" in rule


def test_same_audit_gives_the_same_bytes(page: str) -> None:
    assert to_html.render(build()) == page


def test_every_fault_has_its_row_and_its_state(page: str) -> None:
    ids = [result.fault.id for result in fault_results()]

    assert re.findall(r'<tr data-place="\d+" data-group="\d+" data-id="([^"]*)"', page) == ids
    assert [fault["id"] for fault in payload(page)["faults"]] == ids


def test_state_of_a_fault_puts_its_readings_on_the_drawing(page: str) -> None:
    data = payload(page)
    leak = next(fault for fault in data["faults"] if fault["id"] == "C2/leaky@2Mohm")
    triples = [leak["d"][at : at + 3] for at in range(0, len(leak["d"]), 3)]
    shown = {data["ids"][place]: data["pieces"][markup] for place, _, markup in triples}

    assert "25.2 W" in shown["nc-part-X2"]
    assert "nc-part-R1" not in shown
    assert leak["loads"][0][:3] == ["X2 plate", "idle", "25.2 W"]


def test_unsolved_fault_says_why() -> None:
    data = payload(to_html.render(build()))
    opened = next(fault for fault in data["faults"] if fault["id"] == "R2/open")

    assert opened["says"] == ["idle: not solved: no operating point was found in 5 s"]
    assert opened["tubes"] == []


def test_names_of_the_user_cannot_become_markup() -> None:
    first, *others = fault_results()
    bad = replace(first, fault=replace(first.fault, id=NASTY, summary=NASTY))
    audit = build(circuit=circuit(NASTY), file=NASTY, assumptions=(NASTY,), faults=(bad, *others))

    text = to_html.render(audit)
    tags = outline(text).tags

    assert [tag for tag, _ in tags].count("script") == 2
    assert not any(tag == "img" for tag, _ in tags)
    assert not any(name.startswith("on") for _, attrs in tags for name in attrs)
    assert payload(text)["faults"][0]["id"] == NASTY


def test_circuit_that_was_not_solved_still_gives_a_page() -> None:
    text = to_html.render(build(healthy={}, healthy_stresses=(), worst_drive=(), faults=()))

    assert "Ranking of 0 faults" in text
    assert "no readings: not solved at idle" in text


@pytest.mark.parametrize("across_v", [0.0, -3.0, 1e-9])
def test_a_tube_without_volts_is_drawn_all_the_same(across_v: float) -> None:
    real = load_circuit(Path(__file__).parents[2] / "circuits" / "6v6_single_ended.cir")
    idle = solved("idle", 10.4)
    state = idle.tubes["X2"]
    starved = replace(
        state,
        plate_v=state.cathode_v + across_v,
        screen_v=state.cathode_v + across_v,
        plate_current_a=0.0,
        plate_dissipation_w=0.0,
    )
    healthy = {"idle": replace(idle, tubes={tube.ref: starved for tube in real.tubes})}
    audit = build(circuit=real, roles=recognise(real), healthy=healthy, faults=())

    (plot,) = plate_plots(audit)

    assert "load-line" not in plot.svg or across_v > 0.0
    assert "nan" not in plot.svg
    assert plot.idle.endswith(" 0 mA, 0 W")
