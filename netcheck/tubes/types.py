"""What a tube data file says: the frozen, checked form of `data/<type>.toml`.

Comes in: the dictionary of one TOML file.  Goes out: a `TubeType` with pins,
heater, limits, published operating rows, capacitances and the parameters of its
current law.  Numbers are SI, with the unit in the name or in the name of the
quantity.

Every number has a source.  A file lists its sheets once under `[sources]`; each
row names one of them by key, and the key is replaced by its text here, so that
no row can stand without a sheet and no sheet is misspelled twice.  Two sheets
that disagree keep a row each; exactly one per quantity and condition is `used`.

A bulb with unlike sections (triode and power pentode) is one file: the type is the
larger section, and `[companion]` describes the other in the same words.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Self

from pydantic import Field, ValidationError
from pydantic import model_validator as validate_model

from netcheck.errors import TubeDataError
from netcheck.tubes.schema import (
    Capacitance,
    CapacitanceName,
    Condition,
    Drop,
    Frozen,
    GridParameters,
    Heater,
    Kind,
    Limit,
    Model,
    OperationRow,
    PentodeParameters,
    Quantity,
    Residuals,
    Section,
    SignalRow,
    TriodeParameters,
)

if TYPE_CHECKING:
    from netcheck.tubes.model import Law

__all__ = [
    "Capacitance",
    "CapacitanceName",
    "Condition",
    "Drop",
    "GridParameters",
    "Heater",
    "Kind",
    "Limit",
    "Model",
    "OperationRow",
    "PentodeParameters",
    "Quantity",
    "Residuals",
    "Section",
    "SignalRow",
    "TriodeParameters",
    "TubeType",
    "tube_type",
]

RECTIFIER_PINS = ("plate", "plate_2", "cathode")
ONE_PLATE = ("plate", "cathode")
SHARED_IN_A_BULB = ("base", "heater", "sources")


class TubeType(Frozen):
    """One tube type on file."""

    name: str = Field(min_length=1)
    aliases: tuple[str, ...] = ()
    ambiguous: Mapping[str, str] = Field(default_factory=dict)
    kind: Kind
    beam: bool = False
    power: bool
    directly_heated: bool = False
    description: str = Field(min_length=1)
    base: str
    sections: Annotated[tuple[Section, ...], Field(min_length=1)]
    heater: Heater
    limits: Annotated[tuple[Limit, ...], Field(min_length=1)]
    operation: tuple[OperationRow, ...] = ()
    signal: tuple[SignalRow, ...] = ()
    capacitances: tuple[Capacitance, ...] = ()
    drops: tuple[Drop, ...] = ()
    model: Model = Model()
    companion: TubeType | None = None
    sources: Mapping[str, str]

    @validate_model(mode="after")
    def _consistent(self) -> Self:
        self._check_model()
        wanted = {"plate", "cathode"}
        wanted |= set() if self.kind == "rectifier" else {"grid"}
        wanted |= {"screen"} if self.kind == "pentode" else set()
        for section in self.sections:
            if missing := wanted - set(section.pins):
                raise ValueError(f"sections: {section.name}: no pin for {min(missing)}")
        self._check_limits()
        self._check_rows()
        if self.companion and (self.companion.companion or self.companion.kind == self.kind):
            raise ValueError("companion: one other section of another kind")
        return self

    def _check_model(self) -> None:
        given = [kind for kind in ("triode", "pentode") if getattr(self.model, kind)]
        if self.kind == "rectifier":
            if given or self.model.grid:
                raise ValueError("model: the law of a rectifier is its drop, under drops")
            if sum(drop.used for drop in self.drops) != 1:
                raise ValueError("drops: exactly one row that is used is needed")
            return
        if self.drops:
            raise ValueError("drops: for rectifiers only")
        if given != [self.kind]:
            raise ValueError(f"model: exactly [model.{self.kind}] is needed")
        if self.model.grid is None:
            raise ValueError("model: [model.grid] is needed")

    def _check_limits(self) -> None:
        rows = Counter((row.quantity, row.condition) for row in self.limits)
        used = Counter((row.quantity, row.condition) for row in self.limits if row.used)
        for key in rows:
            if used[key] != 1:
                raise ValueError(
                    f"limits: {key[0]} ({key[1]}): {used[key]} rows are marked used, 1 is needed"
                )

    def _check_rows(self) -> None:
        if self.kind == "rectifier" and self.operation:
            raise ValueError("operation: a rectifier has drops instead")
        for number, row in enumerate(self.operation):
            if (self.kind == "pentode") != (row.screen_v is not None):
                raise ValueError(f"operation.{number}.screen_v: for pentodes, and only for them")

    @property
    def electrodes(self) -> tuple[str, ...]:
        """Electrodes of one section in the order of an `X` card."""
        if self.kind == "rectifier":
            return tuple(pin for pin in RECTIFIER_PINS if pin in self.sections[0].pins)
        if self.kind == "triode":
            return ("plate", "grid", "cathode")
        return ("plate", "screen", "grid", "cathode")

    @property
    def electrode_choices(self) -> tuple[tuple[str, ...], ...]:
        """Every order of nodes an `X` card of this section may have.

        A rectifier with two plates may stand with one, which then carries all of the
        current: in a full-wave circuit one plate conducts at a time.
        """
        if self.kind == "rectifier" and len(self.electrodes) > len(ONE_PLATE):
            return (ONE_PLATE, self.electrodes)
        return (self.electrodes,)

    @property
    def unlike_sections(self) -> tuple[TubeType, ...]:
        """This section, and the companion of another kind in the same bulb."""
        return (self, self.companion) if self.companion else (self,)

    def with_nodes(self, count: int) -> tuple[TubeType, tuple[str, ...]] | None:
        """Return the section, and its electrodes, that an `X` card of `count` nodes means."""
        for section in self.unlike_sections:
            for electrodes in section.electrode_choices:
                if len(electrodes) == count:
                    return section, electrodes
        return None

    @property
    def is_twin(self) -> bool:
        """Say whether the bulb has more than one section with a cathode of its own."""
        return len(self.sections) > 1 or self.companion is not None

    @property
    def drop_in_use(self) -> Drop | None:
        """The drop that a rectifier's law goes through."""
        return next((drop for drop in self.drops if drop.used), None)

    @property
    def law(self) -> Law:
        """The current law of an amplifying type, from the parameters on file."""
        from netcheck.tubes.model import law_of  # it imports this module

        return law_of(self)

    def limit(self, quantity: Quantity, condition: Condition = "any") -> Limit | None:
        """Return the limit in use for `quantity` under exactly `condition`."""
        for row in self.limits:
            if row.used and row.quantity == quantity and row.condition == condition:
                return row
        return None

    def capacitance(self, name: CapacitanceName, section: str = "") -> Capacitance | None:
        """Return a capacitance of `section`, else of the first row of that name."""
        rows = [row for row in self.capacitances if row.name == name]
        return next((row for row in rows if row.section == section), rows[0] if rows else None)


def _with_companion(data: Mapping[str, Any]) -> Mapping[str, Any]:
    """Give the other section of the bulb what it shares with the first."""
    other = data.get("companion")
    if not isinstance(other, Mapping):
        return data
    shared = {key: data[key] for key in SHARED_IN_A_BULB if key in data}
    return {**data, "companion": {**shared, **other}}


def tube_type(data: Mapping[str, Any], file: str) -> TubeType:
    """Check the contents of a data file; a mistake names the file and the field."""
    sources = data.get("sources")
    if not isinstance(sources, Mapping) or not sources:
        raise TubeDataError(f"{file}: sources: every data file lists its sheets")
    for key, text in sources.items():
        if not isinstance(text, str) or not text.strip():
            raise TubeDataError(f"{file}: sources.{key}: the sheet and its year are needed")
    try:
        return TubeType.model_validate(_with_companion(data), context={"sources": sources})
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        field = ".".join(str(step) for step in first["loc"])
        message = first["msg"].removeprefix("Value error, ")
        raise TubeDataError(f"{file}: {field + ': ' if field else ''}{message}") from None
