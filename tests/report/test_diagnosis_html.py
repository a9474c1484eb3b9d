"""The page of a diagnosis: whole, escaped, and closed to the world."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from sample_diagnosis import NOTHING_READ, SAMPLE, hostile, many

from netcheck.models.diagnosis import Diagnosis
from netcheck.report import diagnosis_html

DRAWING = '<svg xmlns="http://www.w3.org/2000/svg"><style>.nc-x{fill:none}</style></svg>'
TEMPLATE = Path(diagnosis_html.__file__).parent / "html" / "page.html.j2"
VOID = {"meta", "br", "input"}


class Reader(HTMLParser):
    """Reads tags, attributes and text; complains of what is closed out of order."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def page(diagnosis: Diagnosis = SAMPLE) -> str:
    return diagnosis_html.render(diagnosis, DRAWING)


@pytest.mark.parametrize("diagnosis", [SAMPLE, NOTHING_READ, many(), hostile()])
def test_page_is_well_formed_and_closed_to_the_world(diagnosis: Diagnosis) -> None:
    read = Reader(page(diagnosis))

    assert not {"script", "link", "img", "iframe", "object", "bold"} & set(read.tags)
    assert not [name for name, _ in read.attributes
                if name.startswith("on") or name in ("style", "src", "href")]  # fmt: skip


def test_policy_allows_the_page_s_own_styles_and_nothing_else() -> None:
    made = page()
    policy = next(value for name, value in Reader(made).attributes if "default-src" in value)
    styles = re.findall(r"<style>(.*?)</style>", made, re.DOTALL)
    digests = [base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() for one in styles]

    assert len(styles) == 2
    assert all(f"'sha256-{one}'" in policy for one in digests)
    assert policy.count("sha256-") == 2
    assert "default-src 'none'" in policy
    assert "script-src 'none'" in policy


def test_page_says_what_the_text_says() -> None:
    said = Reader(page()).text

    for words in (
        "Likeliest: C5 leaky (61 %)", "far off: less negative, 6.2 sd", "glow(X4)=yes",
        "3.2 Mohm (2 Mohm to 5 Mohm)", "X4 plate 180 % of its limit", "fits, 0.3 sd off",
        "90 % of units with it answer so", "72 % likely with it", "no fault", "none of these",
        "V(g4) with the tubes out would", "V(g4)=?@tubes_out", "R33 open: not solved",
        "above the 300 V of the meter", "no operating point in 5 s", "One fault, or two at once",
        "drain them and check",
    ):  # fmt: skip
        assert words in said, words


def test_drawing_is_in_the_page_and_not_in_the_section() -> None:
    assert DRAWING in page()
    assert "<svg" not in diagnosis_html.section(SAMPLE)
    assert 'class="sheet"' not in diagnosis_html.render(SAMPLE, "")


def test_text_of_strangers_is_escaped() -> None:
    made = page(hostile())

    assert "<script" not in made
    assert made.count("&lt;script&gt;alert(1)&lt;/script&gt;") > 30
    assert "[bold]loud[/bold]" in made
    assert not [sign for sign in made if not (sign.isprintable() or sign == "\n")]


def test_without_readings_the_page_says_what_the_order_means() -> None:
    said = Reader(page(NOTHING_READ)).text

    assert "Diagnosis from 0 readings" in said
    assert "None yet: the order below is how common each fault is" in said


def test_what_is_not_listed_is_counted_and_the_ends_are_shown() -> None:
    said = Reader(page(many(60))).text

    assert "33 more causes" in said
    assert "59 5 % none of these" in said
    assert "60 < 1 % no fault" in said


def test_a_settled_diagnosis_says_why_no_more_is_asked() -> None:
    said = Reader(page(replace(SAMPLE, probes=(), settled="one cause is left"))).text

    assert "Nothing more: one cause is left" in said


def test_section_stands_in_the_page_of_an_audit() -> None:
    made = diagnosis_html.section(SAMPLE)
    read = Reader(made)
    ids = [value for name, value in read.attributes if name == "id"]
    taken = re.findall(r'\bid="([^"{]+)"', TEMPLATE.read_text(encoding="utf-8"))

    assert read.tags[0] == "section"
    assert "style" not in read.tags
    assert "h1" not in read.tags
    assert ids
    assert not set(ids) & set(taken)
    assert hasattr(made, "__html__")  # a template puts it in as it is
