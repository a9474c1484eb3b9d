"""The errors a user can cause, each with the place and a hint.

A `NetcheckError` is shown as one clear message and ends with exit code 2; any
other exception is a bug of ours and ends with 70.  Several mistakes in one file
travel together in `ManyErrors`.
"""

from __future__ import annotations

from collections.abc import Sequence

from netcheck.source import SourceText, Span


class NetcheckError(Exception):
    """Something the user can put right."""

    def __init__(
        self,
        message: str,
        *,
        span: Span | None = None,
        source: SourceText | None = None,
        hint: str = "",
    ) -> None:
        super().__init__(message)
        self.message = message
        self.span = span
        self.source = source
        self.hint = hint

    def __str__(self) -> str:
        where = f"{self.span}: " if self.span else ""
        lines = [f"{where}{self.message}"]
        if self.span and self.source and not self.span.drawn:
            lines.append(self.source.excerpt(self.span))
        if self.hint:
            lines.append(f"hint: {self.hint}")
        return "\n".join(lines)


class NetlistSyntaxError(NetcheckError):
    """The text of the netlist cannot be read."""


class NetlistError(NetcheckError):
    """The netlist reads, but does not describe a circuit that can be built."""


class TubeDataError(NetcheckError):
    """A tube data file is wrong or incomplete."""


class UnanswerableError(NetcheckError):
    """The healthy circuit cannot be solved or judged, so no fault can be."""


class SolverUnavailableError(NetcheckError):
    """No usable ngspice library was found."""


class ManyErrors(NetcheckError):  # noqa: N818  (it is a collection of errors)
    """Several mistakes found in one run."""

    def __init__(self, errors: Sequence[NetcheckError]) -> None:
        super().__init__(f"{len(errors)} mistakes")
        self.errors = tuple(errors)

    def __str__(self) -> str:
        return "\n\n".join(str(error) for error in self.errors)
