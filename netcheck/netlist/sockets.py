"""How the base of a tube is wired, as a schematic needs it: pin numbers by electrode."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SocketSection:
    """One section: its name, and its electrodes in the order of a card with their pins."""

    name: str
    pins: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Socket:
    """The base of one tube type."""

    type_name: str
    sections: tuple[SocketSection, ...]
    heater_pins: tuple[int, ...] = ()


SocketOf = Callable[[str], Socket | None]
"""Finds the base of a tube by the name of its type, None where it is not on file."""


def no_socket(name: str) -> Socket | None:
    """Know no tube: pins are then told by their names alone."""
    return None
