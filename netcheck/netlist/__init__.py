"""The reader: text of a netlist in, a `FlatNetlist` out.

The grammar and the parser are loaded when a netlist is first read: the stages
that only use what was read (a worker, the judge) do not wait for them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from netcheck.netlist.cards import PartNote
from netcheck.netlist.flat import DeviceModel, FlatElement, FlatNetlist, Waveform
from netcheck.netlist.lines import DEFAULT_LIMITS, ReadLimits
from netcheck.netlist.sockets import SocketOf, no_socket

__all__ = [
    "DeviceModel",
    "FlatElement",
    "FlatNetlist",
    "PartNote",
    "ReadLimits",
    "Waveform",
    "read_netlist",
    "read_netlist_text",
]


def read_netlist(
    path: Path,
    *,
    is_tube: Callable[[str], bool],
    socket_of: SocketOf = no_socket,
    limits: ReadLimits = DEFAULT_LIMITS,
) -> FlatNetlist:
    """Read the netlist at `path`; see `netcheck.netlist.read`."""
    from netcheck.netlist import read

    return read.read_netlist(path, is_tube=is_tube, socket_of=socket_of, limits=limits)


def read_netlist_text(
    text: str,
    name: str,
    folder: Path | None,
    *,
    is_tube: Callable[[str], bool],
    limits: ReadLimits = DEFAULT_LIMITS,
) -> FlatNetlist:
    """Read a netlist from text; see `netcheck.netlist.read`."""
    from netcheck.netlist import read

    return read.read_netlist_text(text, name, folder, is_tube=is_tube, limits=limits)
