"""netcheck: which fault of a tube amplifier would overheat which part.

Comes in: the path of a plain SPICE netlist and a few options.  Goes out: an
`Audit`, the frozen value that every report is written from.

The public names are loaded when they are first used, so that `import netcheck`
and `netcheck --version` do not wait for numpy and the solver.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from netcheck.errors import NetcheckError
    from netcheck.models.audit import Audit
    from netcheck.pipeline import Settings, audit

__version__ = "0.1.0"

__all__ = ["Audit", "NetcheckError", "Settings", "__version__", "audit"]

_HOMES = {
    "Audit": "netcheck.models.audit",
    "Settings": "netcheck.pipeline",
    "NetcheckError": "netcheck.errors",
    "audit": "netcheck.pipeline",
}


def __getattr__(name: str) -> object:
    """Load a public name when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'netcheck' has no attribute '{name}'")
    value: object = getattr(import_module(_HOMES[name]), name)
    return value


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
