"""What a tube data file says: the frozen, checked form of `data/<type>.toml`.

Comes in: the dictionary of one TOML file.  Goes out: a `TubeType` with pins,
heater, limits, published operating rows, capacitances and the parameters of its
current law.  Numbers are SI, with the unit in the name or in the name of the
quantity.

Every number has a source.  A file lists its sheets once under `[sources]`; each
row names one of them by key, and the key is replaced by its text here, so that
no row can stand without a sheet and no sheet is misspelled twice.  Two sheets
that disagree keep a row each; exactly one per quantity and condition is `used`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, ValidationInfo
from pydantic import model_validator as validate_model

from netcheck.errors import TubeDataError

if TYPE_CHECKING:
    from netcheck.tubes.model import Law

Kind = Literal["triode", "pentode"]
RatingSystem = Literal["design_center", "design_maximum", "absolute_maximum", "not_stated"]
Condition = Literal["any", "zero_signal", "with_signal", "speech_peak", "cold"]
Quantity = Literal[
    "plate_dissipation_w",
    "screen_dissipation_w",
    "plate_plus_screen_dissipation_w",
    "both_plates_dissipation_w",
    "plate_voltage_v",
    "screen_voltage_v",
    "plate_and_screen_voltage_v",
    "grid_voltage_negative_v",
    "cathode_current_a",
    "heater_cathode_voltage_v",
    "grid_resistance_fixed_bias_ohm",
    "grid_resistance_cathode_bias_ohm",
]
CapacitanceName = Literal["grid_plate_f", "input_f", "output_f"]


def _source_text(value: object, info: ValidationInfo) -> object:
    """Replace the key of a source by its text; a blank or unknown key is an error."""
    if not isinstance(value, str) or not value.strip():
        raise ValueError("a source is needed")
    sources: Mapping[str, str] | None = (info.context or {}).get("sources")
    if sources is None:
        return value
    if value not in sources:
        raise ValueError(f"'{value}' is not one of the keys under [sources]")
    return sources[value]


Source = Annotated[str, BeforeValidator(_source_text), Field(min_length=1)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Volts = Annotated[float, Field(allow_inf_nan=False)]


class _Frozen(BaseModel):
    """Frozen, and closed to keys nobody reads."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Limit(_Frozen):
    """One published limit of one quantity under one condition."""

    quantity: Quantity
    value: Positive
    rating_system: RatingSystem
    condition: Condition = "any"
    used: bool = True
    source: Source
    note: str = ""


class Heater(_Frozen):
    """The heater, or the filament of a directly heated tube."""

    voltage_v: Positive
    current_a: Positive
    pins: tuple[int, ...] = ()
    source: Source


class Section(_Frozen):
    """The pins of one unit of the bulb: electrode name to pin number."""

    name: str
    pins: Mapping[str, int]
    source: Source


class Capacitance(_Frozen):
    """One inter-electrode capacitance, in farad.

    `input_f` is grid to everything but the plate and `output_f` plate to
    everything but the grid, as sheets print them.
    """

    name: CapacitanceName
    value: Positive
    section: str = ""
    source: Source
    note: str = ""


class OperationRow(_Frozen):
    """One operating point of one tube, volts to cathode.

    connection: `triode` and `ultralinear` hold the screen at `screen_v`, which
        in a triode row equals the plate; slopes of a triode row move both.
    plate_a, screen_a: per tube; cathode_a where the sheet prints their sum.
    basis: `published` as printed; `derived` computed from printed figures (the
        note says how); `curve` read or remembered from a plotted curve.
    tolerance: what the model is expected to meet, as a fraction of the current.
    """

    plate_v: Volts
    grid_v: Volts
    screen_v: Volts | None = None
    connection: Literal["pentode", "triode", "ultralinear"] = "pentode"
    plate_a: Positive | None = None
    screen_a: Positive | None = None
    cathode_a: Positive | None = None
    transconductance_s: Positive | None = None
    plate_resistance_ohm: Positive | None = None
    amplification: Positive | None = None
    basis: Literal["published", "derived", "curve"] = "published"
    tolerance: Annotated[float, Field(gt=0, lt=1)] = 0.05
    tube: str = ""
    source: Source
    note: str = ""

    @validate_model(mode="after")
    def _has_a_current(self) -> Self:
        if self.plate_a is None and self.cathode_a is None:
            raise ValueError("plate_a or cathode_a is needed")
        return self


class TriodeParameters(_Frozen):
    """Fitted constants of the triode law in `model.py`."""

    amplification: Positive
    exponent: Annotated[float, Field(gt=1, lt=2)]
    perveance: Positive
    cutoff_sharpness: Positive
    low_plate_v: Positive
    grid_offset_v: Volts = 0.0
    source: Source


class PentodeParameters(_Frozen):
    """Fitted constants of the pentode law in `model.py`."""

    amplification: Positive
    exponent: Annotated[float, Field(gt=1, lt=2)]
    perveance: Positive
    cutoff_sharpness: Positive
    low_screen_v: Positive
    plate_penetration: Annotated[float, Field(ge=0, lt=1)]
    knee_factor: Positive
    knee_exponent: Annotated[float, Field(gt=1, lt=4)]
    screen_share: Annotated[float, Field(gt=0, lt=1)]
    source: Source


class GridParameters(_Frozen):
    """Grid current: positive law, gas and leakage."""

    perveance: Positive
    exponent: Annotated[float, Field(gt=1, lt=2)]
    sharpness_per_v: Positive
    source: Source
    gas_ratio: Annotated[float, Field(gt=0, lt=1e-2)]
    gas_source: Source
    leakage_ohm: Positive
    leakage_source: Source


class Residuals(_Frozen):
    """How far the fitted law lies from the rows of its file (worst, as a fraction)."""

    plate_worst: Annotated[float, Field(ge=0)]
    screen_worst: Annotated[float, Field(ge=0)] | None = None
    transconductance_worst: Annotated[float, Field(ge=0)] | None = None
    source: Source


class Model(_Frozen):
    """The current law of the type."""

    triode: TriodeParameters | None = None
    pentode: PentodeParameters | None = None
    grid: GridParameters
    residuals: Residuals | None = None
    current_scale: Positive = 1.0


class TubeType(_Frozen):
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
    capacitances: tuple[Capacitance, ...] = ()
    model: Model
    sources: Mapping[str, str]

    @validate_model(mode="after")
    def _consistent(self) -> Self:
        law = self.model.triode if self.kind == "triode" else self.model.pentode
        other = self.model.pentode if self.kind == "triode" else self.model.triode
        if law is None or other is not None:
            raise ValueError(f"model: exactly [model.{self.kind}] is needed")
        wanted = {"plate", "grid", "cathode"} | ({"screen"} if self.kind == "pentode" else set())
        for section in self.sections:
            if missing := wanted - set(section.pins):
                raise ValueError(f"sections: {section.name}: no pin for {min(missing)}")
        self._check_limits()
        self._check_rows()
        return self

    def _check_limits(self) -> None:
        rows = Counter((row.quantity, row.condition) for row in self.limits)
        used = Counter((row.quantity, row.condition) for row in self.limits if row.used)
        for key in rows:
            if used[key] != 1:
                raise ValueError(
                    f"limits: {key[0]} ({key[1]}): {used[key]} rows are marked used, 1 is needed"
                )

    def _check_rows(self) -> None:
        for number, row in enumerate(self.operation):
            if (self.kind == "pentode") != (row.screen_v is not None):
                raise ValueError(f"operation.{number}.screen_v: for pentodes, and only for them")

    @property
    def electrodes(self) -> tuple[str, ...]:
        """Electrodes of one section in the order of an `X` card."""
        if self.kind == "triode":
            return ("plate", "grid", "cathode")
        return ("plate", "screen", "grid", "cathode")

    @property
    def law(self) -> Law:
        """The current law of the type, built from the parameters on file."""
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


def tube_type(data: Mapping[str, Any], file: str) -> TubeType:
    """Check the contents of a data file; a mistake names the file and the field."""
    sources = data.get("sources")
    if not isinstance(sources, Mapping) or not sources:
        raise TubeDataError(f"{file}: sources: every data file lists its sheets")
    for key, text in sources.items():
        if not isinstance(text, str) or not text.strip():
            raise TubeDataError(f"{file}: sources.{key}: the sheet and its year are needed")
    try:
        return TubeType.model_validate(data, context={"sources": sources})
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        field = ".".join(str(step) for step in first["loc"])
        message = first["msg"].removeprefix("Value error, ")
        raise TubeDataError(f"{file}: {field + ': ' if field else ''}{message}") from None
