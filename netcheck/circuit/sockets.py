"""Bases of the tubes on file, in the form that the readers of schematics take."""

from __future__ import annotations

from netcheck.netlist.sockets import Socket, SocketOf, SocketSection
from netcheck.tubes.library import TubeLibrary


def sockets_of(library: TubeLibrary) -> SocketOf:
    """Return what finds the base of a tube type, by any name the library knows."""

    def socket_of(name: str) -> Socket | None:
        tube = library.find(name)
        if tube is None:
            return None
        sections = tuple(
            SocketSection(section.name, {pin: section.pins[pin] for pin in part.electrodes})
            for part in tube.unlike_sections
            for section in part.sections
        )
        return Socket(tube.name, sections, tube.heater.pins)

    return socket_of
