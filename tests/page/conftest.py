"""One page, made once from a real audit, opened in headless Chromium."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from netcheck import pipeline
from netcheck.report.html import to_html
from netcheck.report.progress import SilentProgress

CIRCUIT = Path(__file__).parents[2] / "circuits" / "6v6_single_ended.cir"
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")


@pytest.fixture(scope="session")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Audit a circuit at idle and write its page."""
    options = pipeline.Settings(idle_only=True, walks=4)
    audit = pipeline.audit(CIRCUIT, options, SilentProgress())
    file = tmp_path_factory.mktemp("page") / "report.html"
    file.write_text(to_html.render(audit), encoding="utf-8")
    return file


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Start Chromium once; skip where there is none."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine: install it, or name one in $CHROMIUM")
    with playwright.sync_playwright() as started:
        running = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield running
        running.close()


@pytest.fixture
def page(browser: Any, page_file: Path) -> Iterator[Any]:
    """Open the page; whatever it complains of or asks for fails the test."""
    opened = browser.new_page(viewport={"width": 1200, "height": 900})
    troubles: list[str] = []
    requests: list[str] = []
    opened.on("console", lambda said: troubles.append(said.text))
    opened.troubles = troubles
    opened.on("pageerror", lambda error: troubles.append(str(error)))
    opened.on("request", lambda request: requests.append(request.url))
    opened.goto(page_file.as_uri())
    opened.wait_for_selector("html[data-ready]")
    yield opened
    opened.close()
    assert troubles == []
    assert set(requests) == {page_file.as_uri()}
