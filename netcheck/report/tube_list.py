"""The tube types on file: a line each, or pins for `X` cards, limits and sources in full.

Comes in: tube types of the library.  Goes out: text for a person or JSON for a
machine.  A type asked for by name shows heater, capacitances, the rows of its sheets, how
well its current law meets them, and what else fits its socket.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.console import Console

from netcheck.errors import NetcheckError
from netcheck.models.facts import shown_file
from netcheck.report.terminal.layout import (
    Column,
    bullets,
    hanging,
    heading,
    paragraph,
    safe,
    table,
)
from netcheck.report.tube_accuracy import accuracy_json, accuracy_lines
from netcheck.report.words import counted, quantity_words, unit_of
from netcheck.tubes.library import Found, TubeLibrary
from netcheck.tubes.substitutes import Substitute, substitutes_for
from netcheck.tubes.types import Drop, TubeType
from netcheck.units import format_quantity

LIST_SCHEMA_VERSION = "1.1"
PLATE_DISSIPATION = "plate_dissipation_w"
FROM_MEMORY = "(from memory"
"""So a source ends whose sheet was not at hand."""


def look_up(library: TubeLibrary, name: str) -> Found:
    """Return the type a name stands for, or say which name is close."""
    if found := library.lookup(name):
        return found
    close = library.suggest(name)
    raise NetcheckError(
        f"no tube type `{name}` is on file",
        hint=f"is {close} meant?" if close else "`netcheck tubes` lists the types on file",
    )


def to_json(types: Sequence[TubeType], library: TubeLibrary) -> str:
    """Return types as one JSON object."""
    entries = [_entry(tube, library) for tube in types]
    listed = {"schema_version": LIST_SCHEMA_VERSION, "tubes": entries}
    return json.dumps(listed, indent=1, allow_nan=False) + "\n"


def _entry(tube: TubeType, library: TubeLibrary) -> dict[str, Any]:
    entry = _section(tube)
    if tube.companion is not None:
        entry["companion"] = _section(tube.companion)
    return {
        **entry,
        "own_file": bool(library.file_of(tube.name)),
        "substitutes": [asdict(each) for each in substitutes_for(tube.name, library)],
    }


def _section(tube: TubeType) -> dict[str, Any]:
    data = tube.model_dump(mode="json", exclude={"sources", "companion"})
    return {
        "name": data.pop("name"),
        "x_card_pins": list(tube.electrodes),
        **data,
        "accuracy": accuracy_json(tube),
    }


def write_types(console: Console, types: Sequence[TubeType], library: TubeLibrary) -> None:
    """Write all types, one a line."""
    paragraph(console, f"{counted(len(types), 'tube type')} on file.")
    own = [
        f"{tube.name} ({shown_file(file)})"
        for tube in types
        if (file := library.file_of(tube.name))
    ]
    if own:
        paragraph(console, f"From your own files: {', '.join(own)}.")
    columns = [
        Column("type", wrap=False),
        Column("kind", wrap=False),
        Column("plate", "right", wrap=False),
        Column("source of the limits"),
    ]
    table(console, columns, [_row(tube) for tube in types])
    console.print()
    paragraph(
        console,
        "Plate: the smallest dissipation in use, of each plate. From memory: of a sheet that was "
        "not at hand when the figure was written down, so check it before you lean on it.",
    )
    paragraph(
        console,
        "`netcheck tubes TYPE...` shows cards, limits, source of each number, published rows, "
        "accuracy and substitutes; with `--plot FILE.png` it draws the plate curves of one type.",
    )


def _row(tube: TubeType) -> list[str]:
    sections = tube.unlike_sections
    kinds, watts = (" + ".join(map(word, sections)) for word in (_kind_words, _plate_words))
    return [tube.name, kinds, watts, _strength(tube)]


def _kind_words(tube: TubeType) -> str:
    if tube.kind == "rectifier":
        return "rectifier"
    kind = "beam tetrode" if tube.beam else tube.kind
    return f"twin {kind}" if len(tube.sections) > 1 else kind


def _plate_words(tube: TubeType) -> str:
    """Return the smallest plate dissipation in use."""
    watts = [
        limit.value for limit in tube.limits if limit.used and limit.quantity == PLATE_DISSIPATION
    ]
    return format_quantity(min(watts), "W") if watts else "-"


def _strength(tube: TubeType) -> str:
    """Say how many of the limits in use are from memory."""
    sources = [
        limit.source for section in tube.unlike_sections for limit in section.limits if limit.used
    ]
    remembered = sum(FROM_MEMORY in source for source in sources)
    if remembered in (0, len(sources)):
        return "all from memory" if remembered else "none from memory"
    return f"{remembered} of {len(sources)} from memory"


def write_in_full(console: Console, every: Sequence[Found], library: TubeLibrary) -> None:
    """Write all that is on file for some types."""
    for found in every:
        write_type(console, found, library)


def write_type(console: Console, found: Found, library: TubeLibrary) -> None:
    """Write all that is on file for one type."""
    tube = found.type
    _write_head(console, tube, tube)
    if file := library.file_of(tube.name):
        bullets(console, [f"note: from your own file {shown_file(file)}"])
    if found.warning:
        bullets(console, [safe(f"warning: {found.warning}", "yellow")])
    for section in tube.unlike_sections:
        if section is not tube:
            _write_head(console, section, tube)
        _write_section(console, section)
    if lines := accuracy_lines(tube):
        paragraph(console, "Accuracy of the current law, model over sheet:")
        bullets(console, lines)
    if found_there := substitutes_for(tube.name, library):
        paragraph(console, "What else is found in its socket:")
        bullets(console, [_substitute_line(each) for each in found_there])


def _write_section(console: Console, tube: TubeType) -> None:
    """Write limits, pins and rows of one kind of section."""
    _write_limits(console, tube)
    paragraph(console, "Socket pins and heater:")
    bullets(console, [*_socket_lines(tube), _heater_line(tube)])
    if tube.capacitances:
        paragraph(console, "Capacitances:")
        bullets(console, _capacitance_lines(tube))
    if tube.drops:
        paragraph(console, "Drop from one plate to the cathode; the law goes through the one used:")
        bullets(console, [_drop_line(drop) for drop in tube.drops])
    if tube.operation:
        _write_rows(console, tube)


def _drop_line(drop: Drop) -> str:
    remarks = [drop.basis, drop.source]
    remarks += [] if drop.used else ["not used"]
    remarks += [drop.note] if drop.note else []
    amps = format_quantity(drop.plate_a, "A")
    return f"{format_quantity(drop.drop_v, 'V')} at {amps} ({'; '.join(remarks)})"


def _substitute_line(each: Substitute) -> str:
    how = "" if each.same_pins else ", with an adapter"
    heater = f"; heater {each.heater}" if each.heater else ""
    likelihood = each.likelihood.replace("_", " ")
    return f"{each.type} ({likelihood}{how}): {each.note}{heater} ({each.source})"


def _write_head(console: Console, tube: TubeType, bulb: TubeType) -> None:
    """Write the name and how the card of one section is written; `bulb` is its type."""
    heading(console, f"{tube.name}: {tube.description}")
    for electrodes in reversed(tube.electrode_choices):
        card = f"X1 {' '.join(electrodes)} {bulb.name}"
        paragraph(console, f"Card: {card}   ({tube.base})")
    names = [*tube.aliases, *(f"{name} (ambiguous)" for name in tube.ambiguous)]
    if names:
        paragraph(console, f"Also read as: {', '.join(names)}")


def _write_limits(console: Console, tube: TubeType) -> None:
    """Write the limits; each names its sheet by a number, the sheets follow."""
    sheets = list(dict.fromkeys(limit.source for limit in tube.limits))
    columns = [
        Column("limit"),
        Column("value", "right", False),
        Column("when"),
        Column("rating system"),
        Column("source"),
    ]
    rows = []
    for limit in tube.limits:
        remarks = [] if limit.used else ["not used: another sheet is"]
        remarks += [limit.note] if limit.note else []
        rows.append(
            [
                _limit_words(limit.quantity),
                format_quantity(limit.value, unit_of(limit.quantity)),
                limit.condition.replace("_", " "),
                limit.rating_system.replace("_", "-"),
                f"[{sheets.index(limit.source) + 1}] {'; '.join(remarks)}".rstrip(),
            ]
        )
    table(console, columns, rows)
    for number, sheet in enumerate(sheets, 1):
        hanging(console, f"[{number}] ", safe(sheet))


def _limit_words(quantity: str) -> str:
    kind = " dissipation" if "dissipation" in quantity else ""
    return f"{quantity_words(quantity)}{kind}"


def _socket_lines(tube: TubeType) -> list[str]:
    return [
        f"section {section.name}: "
        + ", ".join(f"{electrode} {pin}" for electrode, pin in section.pins.items())
        + f" ({section.source})"
        for section in tube.sections
    ]


def _heater_line(tube: TubeType) -> str:
    heater = tube.heater
    pins = f", pins {', '.join(str(pin) for pin in heater.pins)}" if heater.pins else ""
    kind = "filament" if tube.directly_heated else "heater"
    volts = format_quantity(heater.voltage_v, "V")
    return f"{kind}: {volts}, {format_quantity(heater.current_a, 'A')}{pins} ({heater.source})"


def _capacitance_lines(tube: TubeType) -> list[str]:
    lines = []
    for row in tube.capacitances:
        name = row.name.removesuffix("_f").replace("_", " to ")
        section = f" of section {row.section}" if row.section else ""
        note = f"; {row.note}" if row.note else ""
        lines.append(f"{name}{section}: {row.value * 1e12:.4g} pF ({row.source}{note})")
    return lines


def _write_rows(console: Console, tube: TubeType) -> None:
    paragraph(console, "Rows of the sheets:")
    titles = ["plate V", "screen V", "grid V", "plate mA", "screen mA"]
    columns = [*(Column(title, "right") for title in titles), Column("basis"), Column("source")]
    rows = []
    for row in tube.operation:
        plate = row.plate_a if row.plate_a is not None else row.cathode_a
        rows.append(
            [
                _plain(row.plate_v),
                _plain(row.screen_v),
                _plain(row.grid_v),
                _plain(None if plate is None else plate * 1e3)
                + ("" if row.plate_a is not None else " (cathode)"),
                _plain(None if row.screen_a is None else row.screen_a * 1e3),
                row.basis,
                f"{row.source}{'; ' + row.note if row.note else ''}",
            ]
        )
    table(console, columns, rows)


def _plain(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"
