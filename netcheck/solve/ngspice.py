"""The one file that speaks to ngspice, through PySpice's shared-library wrapper.

Comes in: the lines of a deck that `deck.py` wrote (never a user's text).  Goes
out: arrays of node voltages and branch currents, or `EngineFailure` with the
reason.  ngspice runs a `.spiceinit` it finds in the current or home folder, so
`Engine` first moves into an empty private one.  Success is decided from a fresh
plot of finite vectors, not from return codes, which stay 0 on most failures.
"""

from __future__ import annotations

import contextlib
import ctypes.util
import hashlib
import logging
import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from netcheck.errors import SolverUnavailableError
from netcheck.source import printable

Array = NDArray[np.float64]

LIBRARY_VARIABLE = "NGSPICE_LIBRARY_PATH"
USUAL_PLACES = (
    "/usr/lib/*/libngspice.so*",
    "/usr/lib/libngspice.so*",
    "/usr/lib64/libngspice.so*",
    "/usr/local/lib/libngspice.so*",
    "/opt/homebrew/lib/libngspice*.dylib",
    "/usr/local/lib/libngspice*.dylib",
)
INSTALL_HINT = """install the ngspice shared library:
  Debian, Ubuntu   apt install libngspice0
  Fedora           dnf install libngspice
  Arch             pacman -S ngspice
  macOS            brew install libngspice
or set NGSPICE_LIBRARY_PATH to the library file"""
MOST_STEPS = 4
"""A transient that takes more than this times the steps it should is given up: of 5000
runs that were finished the worst took 2.7 times (EL34 pair)."""
OLDEST = 32
"""`optran`, without which one failed solve spoils the next, came about then (from
memory); measured with 39."""
TRIAL = ("* trial", "V1 1 0 10", "R1 1 2 3000", "R2 2 0 1000", ".end")
"""A divider whose answer, 2.5 V, is known: a library that cannot solve it is not used."""
ANALYSES = ("op", "tran ", "dc ", "ac ")
DIGITS = 12
"""Of the name of a deck that is kept."""
RELEASE_EVERY = 1000
"""ngspice keeps every command; its history is freed after this many."""


class EngineFailure(Exception):  # noqa: N818  (a failed solve is an outcome, not a bug)
    """ngspice could not solve; the text is its own reason, shortened."""


def find_library() -> str:
    """Return the file of the ngspice shared library.

    Raises SolverUnavailableError with the install lines where there is none.
    """
    named = os.environ.get(LIBRARY_VARIABLE)
    if named:
        if Path(named).exists():
            return named
        raise SolverUnavailableError(
            f"{LIBRARY_VARIABLE} names a file that is not there: {named}", hint=INSTALL_HINT
        )
    for pattern in USUAL_PLACES:
        root = Path("/")
        found = sorted(root.glob(pattern.lstrip("/")))
        if found:
            return str(found[0])
    by_name = ctypes.util.find_library("ngspice")
    if by_name:
        return by_name
    raise SolverUnavailableError(
        "ngspice was not found; netcheck solves circuits with it", hint=INSTALL_HINT
    )


@dataclass(frozen=True, slots=True)
class _Failed:
    """A deck as it stood when an analysis of it failed, and ngspice's own reason."""

    reason: str
    lines: Sequence[str]
    altered: Mapping[str, float]
    analysis: str


class Engine:
    """One ngspice in this process (a second one in the same process fails).

    folder: where its private folder is made; the caller removes it.
    kept_decks: an absolute folder for decks that could not be solved.
    """

    def __init__(self, folder: str | None = None, kept_decks: Path | None = None) -> None:
        self.library = find_library()
        self.kept_decks = kept_decks
        self._loaded: Sequence[str] = ()
        self._altered: dict[str, float] = {}
        self._analysis = ""
        self._failed: _Failed | None = None
        os.environ[LIBRARY_VARIABLE] = self.library
        private = tempfile.mkdtemp(prefix="netcheck-", dir=folder)
        os.chdir(private)
        os.environ["HOME"] = private
        logging.getLogger("PySpice").setLevel(logging.CRITICAL + 1)
        from PySpice.Spice.NgSpice import Shared  # here: it reads the variable when imported

        Shared.NgSpiceShared._logger.setLevel(logging.CRITICAL + 1)
        try:
            self._spice: Any = Shared.NgSpiceShared.new_instance()
        except (OSError, NameError) as error:
            raise SolverUnavailableError(
                f"the ngspice library does not load: {error}", hint=INSTALL_HINT
            ) from error
        self._ffi = Shared.ffi
        self._c = self._spice._ngspice_shared
        self._commands = 0
        self.kept: object = None
        """What a caller notes of the loaded deck; forgotten when another is loaded."""
        self.written: object = None
        """What a caller notes of the deck it wrote last, loaded or not."""
        self._names: dict[str, bytes] = {}
        self.version = str(self._spice.ngspice_version)
        # A failed step would otherwise end in a transient search that poisons later ones.
        self.command("optran 1 1 1 0 0 0")
        self._check_library()

    def _check_library(self) -> None:
        """Refuse a library that is too old or does not solve a divider."""
        digits = self.version.split(".")[0]
        if not digits.isdigit():
            raise SolverUnavailableError(
                f"the ngspice library does not tell its version: {printable(self.version[:40])}",
                hint=INSTALL_HINT,
            )
        if int(digits) < OLDEST:
            raise SolverUnavailableError(
                f"ngspice {digits} is too old; netcheck needs {OLDEST} or later",
                hint=INSTALL_HINT,
            )
        try:
            self.load(TRIAL)
            middle_v = self.operating_point(["2"])[0]
        except EngineFailure as error:
            raise SolverUnavailableError(
                f"ngspice {digits} does not solve a plain divider: {error}", hint=INSTALL_HINT
            ) from error
        if abs(middle_v - 2.5) > 1e-6:
            raise SolverUnavailableError(
                f"ngspice {digits} solves a divider of 2.5 V as {middle_v:.6g} V: do not trust it",
                hint=INSTALL_HINT,
            )

    def command(self, text: str) -> None:
        """Run one command of ours; its messages are kept for `log_tail`."""
        self._commands += 1
        if text.startswith(ANALYSES):
            self._analysis = text
        if self._commands % RELEASE_EVERY == 0:
            self._c.ngSpice_Command(self._ffi.NULL)
        self._spice.clear_output()
        self._c.ngSpice_Command(text.encode("ascii"))

    def log_tail(self, lines: int = 3) -> str:
        """Return the last lines ngspice printed, without its notes."""
        kept = [
            line.strip()
            for line in [*self._spice._stdout, *self._spice._stderr]
            if line.strip() and not line.startswith(("Note:", "Warning: singular"))
        ]
        return "; ".join(kept[-lines:])

    def load(self, deck: Sequence[str]) -> None:
        """Load a deck, dropping the one before."""
        self.kept = None
        self._loaded, self._altered, self._failed = deck, {}, None
        self.command("destroy all")
        self.command("remcirc")
        self._spice.clear_output()
        keep = [self._ffi.new("char[]", line.encode("ascii")) for line in (*deck, "")]
        lines = self._ffi.new("char *[]", [*keep, self._ffi.NULL])
        self._c.ngSpice_Circ(lines)
        text = " ".join([*self._spice._stdout, *self._spice._stderr]).lower()
        if "error" in text:
            raise EngineFailure(f"the deck was refused: {self.log_tail()}")

    def alter(self, target: str, value: float) -> None:
        """Give one loaded element another value."""
        self._altered[target] = value
        self.command(f"alter {target} = {value:.9g}")

    def operating_point(self, names: Sequence[str]) -> list[float]:
        """Solve the operating point and return the vectors `names`."""
        self.command("destroy all")
        self.command("op")
        values: list[float] = []
        for name in names:
            info = self._c.ngGet_Vec_Info(self._encoded(name))
            if info == self._ffi.NULL or info.v_realdata == self._ffi.NULL or info.v_length != 1:
                raise self._failure(self._reason("no operating point was found"))
            values.append(info.v_realdata[0])
        if not all(map(isfinite, values)):
            raise self._failure("the operating point is not finite")
        return values

    def dc_sweep(self, source: str, first: int, last: int, names: Sequence[str]) -> Array:
        """Sweep a source over whole numbers; return one row a vector, a column a point.

        Fewer columns than numbers: the next one could not be solved.  A vector that is not
        finite ends the answer as well.
        """
        self.command("destroy all")
        self.command(f"dc {source} {first} {max(last, first + 1)} 1")
        found = [self._vector(name) for name in names]
        known = [vector for vector in found if vector is not None]
        if len(known) < len(found):
            return np.empty((len(names), 0))
        count = min(last - first + 1, *map(len, known))
        rows = np.array([vector[:count] for vector in known])
        sound = np.isfinite(rows).all(axis=0)
        return rows if sound.all() else rows[:, : int(np.argmin(sound))]

    def transient(
        self, step_s: float, stop_s: float, names: Sequence[str], *, given_start: bool
    ) -> tuple[Array, Array]:
        """Solve a transient; return times [s] and one row a vector.

        `given_start` starts from the initial conditions in the deck instead of
        from an operating point.
        """
        self.command("destroy all")
        start = " uic" if given_start else ""
        most = int(MOST_STEPS * stop_s / step_s)
        self.command(f"stop after {most}")
        self.command(f"tran {step_s:.9g} {stop_s:.9g} 0 {step_s:.9g}{start}")
        reason = self.log_tail()
        self.command("delete all")
        time = self._vector("time")
        if time is None or len(time) < 2 or time[-1] < stop_s * (1.0 - 1e-6):
            if time is not None and len(time) >= most:
                raise self._failure("the steps grow ever smaller: it may oscillate")
            raise self._failure(f"the transient did not finish ({reason})")
        rows = np.empty((len(names), len(time)))
        for index, name in enumerate(names):
            vector = self._vector(name)
            if vector is None or len(vector) != len(time):
                raise self._failure(f"vector {name} is missing from the transient")
            rows[index] = vector
        if not np.isfinite(rows).all():
            raise self._failure("the transient is not finite")
        return np.array(time), rows

    def linear_response(self, frequency_hz: float, names: Sequence[str]) -> list[complex]:
        """Small-signal response of the vectors to sources with `ac 1`."""
        self.command("destroy all")
        self.command(f"ac lin 1 {frequency_hz:.9g} {frequency_hz:.9g}")
        response: list[complex] = []
        for name in names:
            info = self._c.ngGet_Vec_Info(name.encode("ascii"))
            if info == self._ffi.NULL or info.v_compdata == self._ffi.NULL or info.v_length < 1:
                raise self._failure(self._reason("no small-signal response was found"))
            pair = info.v_compdata[0]
            response.append(complex(pair.cx_real, pair.cx_imag))
        return response

    def _failure(self, reason: str) -> EngineFailure:
        """Note what could not be solved, before anything is altered back."""
        self._failed = _Failed(reason, self._loaded, dict(self._altered), self._analysis)
        return EngineFailure(reason)

    def keep_failed(self) -> None:
        """Keep the deck that failed last in the folder for them, ready for `ngspice -b`.

        No word of the netlist is in it: nets and parts have names of ours.
        """
        if self.kept_decks is None or not self._loaded:
            return
        failed = self._failed or _Failed(
            "solved, and not believed", self._loaded, self._altered, self._analysis
        )
        reason = f"* {printable(failed.reason)}; ngspice {self.version}\n"
        text = "\n".join(
            [
                *failed.lines[:-1],
                ".control",
                *(f"alter {target} = {value:.9g}" for target, value in failed.altered.items()),
                failed.analysis,
                ".endc",
                ".end",
                "",
            ]
        )
        name = hashlib.sha256(text.encode()).hexdigest()[:DIGITS]  # one file for each deck
        with contextlib.suppress(OSError):
            (self.kept_decks / f"{name}.cir").write_text(reason + text, encoding="utf-8")

    def _vector(self, name: str) -> Array | None:
        info = self._c.ngGet_Vec_Info(self._encoded(name))
        if info == self._ffi.NULL or info.v_realdata == self._ffi.NULL or info.v_length < 1:
            return None
        return np.frombuffer(self._ffi.buffer(info.v_realdata, info.v_length * 8), dtype=np.float64)

    def _encoded(self, name: str) -> bytes:
        encoded = self._names.get(name)
        if encoded is None:
            encoded = self._names[name] = name.encode("ascii")
        return encoded

    def _reason(self, what: str) -> str:
        tail = self.log_tail()
        return f"{what} ({tail})" if tail else what
