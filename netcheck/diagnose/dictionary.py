"""The fault dictionary of one circuit: pages solved when they are wanted, and kept.

Comes in: a circuit, what is known of its age and build, a meter.  Goes out: for any
point of measurement, what it would read with each fault, nominal and over units.

On disk (`Store`) a page is named by a digest of all it was solved from, so that a changed
netlist, fault, tube or program never finds an old page.  Files are plain arrays without
pickles; one that cannot be read is solved anew.  The folder is kept below a size: the pages
that were not used for longest go first.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from netcheck import __version__
from netcheck.circuit.changes import Change, ReplaceTube, drives_itself
from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.bench import SolvedBench
from netcheck.diagnose.meters import DIGITAL, LOADED_SHARE, Meter, loaded_volts
from netcheck.diagnose.ohms import OPEN_FROM_OHM, OhmPage, open_ohm_of, solve_ohm_page
from netcheck.diagnose.page import LOAD_OHM, Page, solve_page
from netcheck.diagnose.readings import ReadingKind, name_of
from netcheck.diagnose.situations import (
    IDLE,
    POWER_OFF,
    Situation,
    leak_ohm,
    shown_share,
    sides_of,
    situation_of,
    spread_of,
)
from netcheck.errors import SolverUnavailableError, UnanswerableError
from netcheck.faults import list_faults
from netcheck.faults.base import BuildState, Fault
from netcheck.ratings.mains import find_band
from netcheck.roles import recognise
from netcheck.solve.deck import NEUTRAL_OHM, write_deck
from netcheck.solve.pool import Pool
from netcheck.tubes.library import load_library
from netcheck.workbench.baseline import baseline_of
from netcheck.workbench.health import require_health
from netcheck.workbench.settings import Progress, Step

Array = NDArray[np.float64]

HEATED = ("plate_dissipation_w", "power_w", "current_a")
"""Quantities that a hot part tells of."""


@dataclass(frozen=True, slots=True)
class DictionaryOptions:
    """What the bench has; `mains` names a band, empty where it is measured nominal.

    draws: units a fault.
    """

    meter: Meter = DIGITAL
    mains: str = "230V"
    draws: int = 200
    seed: int = 1
    build: BuildState = "unknown"
    age_years: float | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """Where something is read: volts and ohms from `first` to `second`, else of `first`."""

    kind: ReadingKind
    first: str
    second: str
    situation: str

    @property
    def text(self) -> str:
        """The point as it is typed: `V(g4)@idle`."""
        return f"{name_of(self.kind, self.first, self.second)}@{self.situation}"

    @property
    def asked(self) -> str:
        """The reading to be typed, with a question mark for the answer."""
        return f"{name_of(self.kind, self.first, self.second)}=?@{self.situation}"


@dataclass(frozen=True)
class Foreseen:
    """What a point reads: row 0 of a sound unit, row n with the n-th fault.

    nominal: (rows,); units: (rows, draws).  Ohms are log10, and `open_ohm` at most, which
    reads as open there.  nan where not solved.
    """

    nominal: Array
    units: Array
    open_ohm: float = OPEN_FROM_OHM


PoolMaker = Callable[[], Pool]


class Dictionary:
    """All pages of one circuit; a pool is asked for only where a page has to be solved."""

    def __init__(
        self,
        circuit: Circuit,
        options: DictionaryOptions,
        pool: PoolMaker,
        store: Store,
        progress: Progress,
    ) -> None:
        self.circuit, self.options = circuit, options
        self.pool, self.store, self._progress = pool, store, progress
        self.roles = recognise(circuit)
        self.faults: tuple[Fault, ...] = list_faults(
            circuit, self.roles, build=options.build, age_years=options.age_years
        )
        band = find_band(options.mains) if options.mains else None
        self.spread = spread_of(circuit, self.roles, band, options.draws, options.seed)
        self.shortfalls: dict[str, None] = {}
        """What could not be done as it should be, in words."""
        self._pages: dict[str, Page] = {}
        self._foreseen: dict[tuple[Point, float, bool], Foreseen] = {}

    @cached_property
    def ohms(self) -> OhmPage:
        """The page for resistances."""
        return solve_ohm_page(self.circuit, self._variants(POWER_OFF), self.spread)

    def page(self, key: str) -> Page:
        """Return the page of a situation; solved, or found where it was kept."""
        if key not in self._pages:
            situation = situation_of(key)
            digest = self._digest(situation)
            page = self.store.load(digest)
            if page is None:
                page = self._solved(situation)
                if page.whole:
                    self.store.keep(digest, page)
            self._pages[key] = page
        return self._pages[key]

    def has(self, key: str) -> bool:
        """Say whether a page is at hand without solving anything."""
        if key == POWER_OFF.key or key in self._pages:
            return True
        situation = situation_of(key)
        page = self.store.load(self._digest(situation))
        if page is not None:
            self._pages[key] = page
        return page is not None

    def foresee(
        self, point: Point, shown: float, *, meter: Meter | None = None, metered: bool = False
    ) -> Foreseen:
        """Return what a point reads with each fault; `shown` is what the meter shows.

        An analog meter loads by its range, which `shown` [V] decides.  meter: that of the
        bench where there is no other.  metered: solve with the meter connected where its load
        matters.
        """
        loads = point.kind in ("volts", "leak")
        load_ohm = (meter or self.options.meter).load_ohm(shown) if loads else 0.0
        metered = metered and point.kind == "volts"
        key = (point, load_ohm, metered)
        if key not in self._foreseen:
            found = self._foresee(point, load_ohm)
            self._foreseen[key] = self._metered(point, load_ohm, found) if metered else found
        return self._foreseen[key]

    def _foresee(self, point: Point, load_ohm: float) -> Foreseen:
        if point.kind == "ohms":
            most = self.open_ohm(point)
            found = self.ohms.log_ohms(point.first, point.second, self.spread.factors, most)
            return Foreseen(*found, most)
        page = self.page(point.situation)
        if point.kind == "volts":
            return Foreseen(
                page.nominal_volts(point.first, point.second, load_ohm),
                page.volts(point.first, point.second, load_ohm),
            )
        if point.kind == "leak":
            return self._leak(page, point.first, load_ohm)
        column = column_of(self.circuit, point)
        return Foreseen(page.nominal[:, page.place[column]].astype(float), page.column(column))

    def open_ohm(self, point: Point) -> float:
        """Return from where on ohms read as open at a point."""
        return open_ohm_of(self.circuit, point.first, point.second)

    def _metered(self, point: Point, load_ohm: float, linear: Foreseen) -> Foreseen:
        """Return readings in which faults with a weak source there are solved with the meter."""
        page, ends = self.page(point.situation), (point.first, point.second)
        situation = situation_of(point.situation)
        if len(situation.hot) > 1:
            return linear
        weak = page.source_ohm(*ends) > LOADED_SHARE * load_ohm
        rows = [int(row) for row in np.flatnonzero(weak) if not page.reasons[row]]
        if GROUND in ends and load_ohm == LOAD_OHM:
            rows = []  # that is how the page measured the source
        variants = [(), *(changes or () for changes in self._variants(situation))]
        around = situation.changes(self.circuit, self.spread.on_mains, situation.hot[0])
        try:
            volts = loaded_volts(
                self.pool(), self.circuit, ends, load_ohm,
                [(*variants[row], *around) for row in rows],
            ) if rows else []  # fmt: skip
        except SolverUnavailableError as error:
            self.shortfalls[
                f"{point.text}: weak sources are taken as linear, not solved with the meter "
                f"connected ({error.message})"
            ] = None
            return linear
        if rows:
            self._heed_interrupt()
        if lost := sum(value is None for value in volts):
            self.shortfalls[f"{point.text}: {lost} faults did not solve with the meter"] = None
        nominal, units = linear.nominal.copy(), linear.units.copy()
        for row, value in zip(rows, volts, strict=True):
            if value is not None:
                units[row] += value - nominal[row]
                nominal[row] = value
        return replace(linear, nominal=nominal, units=units)

    def _leak(self, page: Page, ref: str, load_ohm: float) -> Foreseen:
        """Return the volts at a coupling capacitor's lifted end."""
        sides = sides_of(self.circuit, self.roles, ref)
        own = [fault.changes if ref in fault.parts else () for fault in self.faults]
        leak = np.array([NEUTRAL_OHM, *(leak_ohm(changes, sides) for changes in own)])
        # Lifted, a leak no longer feeds the grid leak: before it all is as in a sound unit.
        rows = np.where(leak < NEUTRAL_OHM, 0, np.arange(len(leak)))
        share = shown_share(page.source_ohm(sides[0], GROUND)[rows], leak, load_ohm)
        volts = page.volts(sides[0], GROUND, NEUTRAL_OHM)[rows]
        nominal = page.nominal_volts(sides[0], GROUND, NEUTRAL_OHM)[rows]
        return Foreseen(nominal * share, volts * share[:, None])

    def reasons(self, situations: Sequence[str]) -> list[str]:
        """Return by row why it was not solved in one of the situations, else empty."""
        pages = [self.page(key) for key in situations if key != POWER_OFF.key]
        rows = range(len(self.faults) + 1)
        return [next((p.reasons[row] for p in pages if p.reasons[row]), "") for row in rows]

    def _variants(self, situation: Situation) -> list[tuple[Change, ...] | None]:
        """Return the changes of each fault; None where the situation does not show it.

        What works the circuit by itself is handed on, so that its row says why it is not
        weighed.
        """
        warm = situation.powered and situation.tubes_in
        return [
            fault.changes
            if situation.shows(fault) or (warm and drives_itself(fault.changes))
            else None
            for fault in self.faults
        ]

    def _solved(self, situation: Situation) -> Page:
        variants = self._variants(situation)
        self._progress.start(Step.DIAGNOSIS, len(variants) * len(situation.hot))
        try:
            page = solve_page(
                self.pool(), self.circuit, situation, self.spread.on_mains, variants, self.spread,
                self._progress.advance,
            )  # fmt: skip
        except UnanswerableError:
            self._heed_interrupt()
            raise
        self._heed_interrupt()
        self._progress.finish()
        if situation.key != IDLE.key:
            return page
        return replace(page, limits=self._limits())

    def _heed_interrupt(self) -> None:
        """End after Ctrl-C: what was not solved is no page to be kept."""
        self.pool().heed_stop()

    def _limits(self) -> tuple[tuple[str, str, float], ...]:
        """Return the limits of heat that hold at idle, compared as everywhere else."""
        bench = SolvedBench(self.pool(), IDLE.key, self.circuit, self.options.meter)
        outcome = bench.solve([()])[0]
        self._heed_interrupt()
        healthy = require_health(self.circuit, self.roles, outcome)
        table = baseline_of(self.circuit, {IDLE.key: healthy}, self.roles).table
        found: dict[tuple[str, str], float] = {}
        for one in table.limits:
            if one.quantity in HEATED and one.applies_in(IDLE.key) and one.compared_limit > 0.0:
                key = (one.part, one.quantity)
                found[key] = min(found.get(key, one.compared_limit), one.compared_limit)
        return tuple((part, quantity, limit) for (part, quantity), limit in found.items())

    def _digest(self, situation: Situation) -> str:
        return digest_of([*self._content, repr(situation), repr(self._variants(situation))])

    @cached_property
    def _content(self) -> tuple[str, ...]:
        """What every page depends on, as text."""
        library = load_library()
        types = sorted(
            {
                change.type_name
                for fault in self.faults
                for change in fault.changes
                if isinstance(change, ReplaceTube)
            }
        )
        return (
            __version__,
            *write_deck(self.circuit).lines,
            repr([(part.ref, part.pins, part.note, part.tube) for part in self.circuit]),
            repr(self.spread.variables),
            self.spread.factors.tobytes().hex(),
            *(repr(library.find(name)) for name in types),
        )


def column_of(circuit: Circuit, point: Point) -> str:
    """Return the column in which a current or watts are kept."""
    if point.kind == "watts":
        return f"w:{point.first}"
    return f"{'ik' if circuit[point.first].kind == 'tube' else 'i'}:{point.first}"


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
