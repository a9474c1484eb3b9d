"""Pages of the dictionary on disk, found again by what they were solved from.

Comes in: what a page depends on.  Goes out: the page, or None.  A name is a digest of
the content, so that a changed netlist, fault, tube or program never finds an old page.
Files are plain arrays without pickles; one that cannot be read is solved anew.  The
folder is kept below a size: the pages that were not used for longest go first.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np

from netcheck.diagnose.page import Page

FORMAT = 4
MOST_BYTES = 600_000_000
"""Of all pages together."""


def usual_folder() -> Path:
    """Return where pages are kept where the user names no folder."""
    named = os.environ.get("XDG_CACHE_HOME", "")
    return (Path(named) if named else Path.home() / ".cache") / "netcheck" / "pages"


def digest_of(pieces: Iterable[str]) -> str:
    """Return a name for content."""
    digest = hashlib.sha256(f"format {FORMAT}".encode())
    for piece in pieces:
        digest.update(b"\0")
        digest.update(piece.encode())
    return digest.hexdigest()[:32]


class Store:
    """A folder of pages; `folder` None keeps nothing."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.trouble = ""
        """Why nothing could be kept, in words."""

    def load(self, digest: str) -> Page | None:
        """Return a page that was kept."""
        if self.folder is None:
            return None
        place = self.folder / digest
        try:
            words: Mapping[str, Any] = json.loads((place / "page.json").read_text("utf-8"))
            arrays = {
                name: np.load(place / f"{name}.npy", mmap_mode="r", allow_pickle=False)
                for name in ("nominal", "pull", "draws")
            }
            page = Page(
                words["situation"],
                tuple(words["columns"]),
                tuple(words["nets"]),
                arrays["nominal"],
                arrays["pull"],
                arrays["draws"],
                tuple(words["reasons"]),
                tuple(map(int, words["missing"])),
                tuple(
                    (str(part), str(quantity), float(limit))
                    for part, quantity, limit in words["limits"]
                ),
                str(words["engine"]),
            )
        except (OSError, ValueError, KeyError, TypeError, EOFError, AttributeError, BadZipFile):
            return None
        rows, columns = len(page.reasons), len(page.columns)
        if len(page.missing) != rows:
            return None
        nets = len(page.nets)
        if page.nominal.shape != (rows, columns) or page.draws.shape[:2] != (columns, rows):
            return None
        if page.pull.shape != (rows, nets, nets):
            return None
        with contextlib.suppress(OSError):
            os.utime(place)
        return page

    def keep(self, digest: str, page: Page) -> None:
        """Keep a page; where that fails, `trouble` says why and nothing else happens."""
        if self.folder is None:
            return
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryDirectory(dir=self.folder, prefix="new-") as new:
                for name in ("nominal", "pull", "draws"):
                    np.save(Path(new) / f"{name}.npy", getattr(page, name), allow_pickle=False)
                words = {
                    "situation": page.situation, "columns": page.columns, "nets": page.nets,
                    "reasons": page.reasons, "limits": page.limits,
                    "engine": page.engine, "missing": page.missing,
                }  # fmt: skip
                (Path(new) / "page.json").write_text(json.dumps(words), "utf-8")
                whole = Path(new) / "whole"
                whole.mkdir()
                for file in list(Path(new).iterdir()):
                    if file != whole:
                        file.rename(whole / file.name)
                shutil.rmtree(self.folder / digest, ignore_errors=True)
                whole.rename(self.folder / digest)
            self._make_room(digest)
        except OSError as error:
            self.trouble = f"the dictionary could not be kept: {error.strerror or error}"

    def _make_room(self, newest: str) -> None:
        assert self.folder is not None
        pages = [one for one in self.folder.iterdir() if (one / "page.json").is_file()]
        sizes = {one: sum(file.stat().st_size for file in one.iterdir()) for one in pages}
        for one in sorted(pages, key=lambda page: page.stat().st_mtime):
            if sum(sizes.values()) <= MOST_BYTES:
                return
            if one.name != newest:
                sizes.pop(one)
                shutil.rmtree(one, ignore_errors=True)
