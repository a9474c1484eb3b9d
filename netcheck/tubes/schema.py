"""What stands in a tube data file: each limit, row and constant with its source.

Comes in: tables of a TOML file, and its `[sources]` as the context of the check.
Goes out: frozen values; the key of a source is replaced by its text.  Numbers are SI,
with the unit in the name or in the name of the quantity.  `types.py` puts these
together to a `TubeType` and holds the rules that join them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo
from pydantic import model_validator as validate_model

from netcheck.ratings.systems import RatingSystem

Kind = Literal["triode", "pentode", "rectifier"]
Connection = Literal["pentode", "triode", "ultralinear"]
Basis = Literal["published", "derived", "curve"]
Condition = Literal[
    "any",
    "zero_signal",
    "with_signal",
    "speech_peak",
    "cold",
    "choke_input",
    "low_dissipation",
    "high_dissipation",
]
"""When a limit holds; the last two are those of a grid's resistance, which depends on
how hot the tube is run (the note of the row says from which watts on)."""
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
    "output_current_a",
    "peak_plate_current_a",
    "peak_inverse_voltage_v",
    "plate_supply_rms_v",
    "first_capacitor_f",
    "plate_supply_resistance_ohm",
]
"""The last six are a rectifier's: direct current of all plates together, the peak and
the inverse volts of each, what the transformer may give a plate, the largest first
capacitor, and the least resistance in series with each plate (a floor, not a ceiling)."""
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


class Frozen(BaseModel):
    """Frozen, and closed to keys nobody reads."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Limit(Frozen):
    """One published limit of one quantity under one condition."""

    quantity: Quantity
    value: Positive
    rating_system: RatingSystem
    condition: Condition = "any"
    used: bool = True
    source: Source
    note: str = ""


class Heater(Frozen):
    """The heater, or the filament of a directly heated tube."""

    voltage_v: Positive
    current_a: Positive
    pins: tuple[int, ...] = ()
    source: Source


class Section(Frozen):
    """The pins of one unit of the bulb: electrode name to pin number."""

    name: str
    pins: Mapping[str, int]
    source: Source


class Capacitance(Frozen):
    """One inter-electrode capacitance, in farad.

    `input_f` is grid to everything but the plate and `output_f` plate to
    everything but the grid, as sheets print them.
    """

    name: CapacitanceName
    value: Positive
    section: str = ""
    source: Source
    note: str = ""


class OperationRow(Frozen):
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
    connection: Connection = "pentode"
    plate_a: Positive | None = None
    screen_a: Positive | None = None
    cathode_a: Positive | None = None
    transconductance_s: Positive | None = None
    plate_resistance_ohm: Positive | None = None
    amplification: Positive | None = None
    basis: Basis = "published"
    tolerance: Annotated[float, Field(gt=0, lt=1)] = 0.05
    tube: str = ""
    source: Source
    note: str = ""

    @validate_model(mode="after")
    def _has_a_current(self) -> Self:
        if self.plate_a is None and self.cathode_a is None:
            raise ValueError("plate_a or cathode_a is needed")
        return self


class SignalRow(Frozen):
    """Published operation of an output stage with a sine at its grids.

    Currents are means of all tubes of the stage together, powers are at the primary.
    `plate_v` and `screen_v` are to the cathode; with a cathode resistor the supplies
    stand higher by `bias_v`, the drop the sheet's own figures give, and the bias is
    solved for.  A screen that is not given has the plate's volts.

    form, connection, tap: how the stage is wired; `tap` is the screen's share of the
        primary in ultralinear connection.
    load_ohm: plate to plate for a pair.  drive_v: peak of the sine at each grid.
    screen_ohm: from the plate supply to all screens, bypassed.
    distortion: total, as a fraction of the fundamental.
    """

    form: Literal["single_ended", "push_pull"]
    connection: Connection = "pentode"
    tap: Annotated[float, Field(ge=0, lt=1)] = 0.0
    plate_v: Positive
    screen_v: Positive | None = None
    screen_ohm: Positive | None = None
    grid_v: Volts = 0.0
    bias_v: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    cathode_ohm: Positive | None = None
    shared_cathode: bool = False
    load_ohm: Positive
    drive_v: Positive
    plate_a: Positive | None = None
    screen_a: Positive | None = None
    cathode_a: Positive | None = None
    output_w: Positive | None = None
    distortion: Annotated[float, Field(gt=0, lt=1)] | None = None
    tube: str = ""
    source: Source
    note: str = ""

    @validate_model(mode="after")
    def _has_a_figure(self) -> Self:
        figures = (self.plate_a, self.screen_a, self.cathode_a, self.output_w)
        if all(figure is None for figure in figures):
            raise ValueError("a current or output_w is needed")
        if (self.tap > 0) != (self.connection == "ultralinear"):
            raise ValueError("tap: for ultralinear connection, and only for it")
        return self


class Drop(Frozen):
    """Volts from one plate of a rectifier to its cathode at a direct current."""

    drop_v: Positive
    plate_a: Positive
    basis: Basis = "published"
    used: bool = True
    source: Source
    note: str = ""


class TriodeParameters(Frozen):
    """Fitted constants of the triode law in `model.py`."""

    amplification: Positive
    exponent: Annotated[float, Field(gt=1, lt=2)]
    perveance: Positive
    cutoff_sharpness: Positive
    low_plate_v: Positive
    grid_offset_v: Volts = 0.0
    source: Source


class PentodeParameters(Frozen):
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
    plate_pull: Annotated[float, Field(ge=0, lt=1)] = 0.0
    source: Source


class GridParameters(Frozen):
    """Grid current: positive law, gas and leakage."""

    perveance: Positive
    exponent: Annotated[float, Field(gt=1, lt=2)]
    sharpness_per_v: Positive
    source: Source
    gas_ratio: Annotated[float, Field(gt=0, lt=1e-2)]
    gas_source: Source
    leakage_ohm: Positive
    leakage_source: Source


Share = Annotated[float, Field(ge=0)]


class Residuals(Frozen):
    """How far the law lies from the published rows of its file (worst, as a fraction).

    held_out: rows, counted from 1, that the fit never saw; empty where nothing was
    held out because too few rows are published.
    """

    plate_worst: Share
    screen_worst: Share | None = None
    transconductance_worst: Share | None = None
    held_out_plate_worst: Share | None = None
    held_out_screen_worst: Share | None = None
    held_out_transconductance_worst: Share | None = None
    held_out: tuple[int, ...] = ()
    source: Source


class Model(Frozen):
    """The current law of the type; a rectifier's is its drop."""

    triode: TriodeParameters | None = None
    pentode: PentodeParameters | None = None
    grid: GridParameters | None = None
    residuals: Residuals | None = None
    current_scale: Positive = 1.0
