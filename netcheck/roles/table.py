"""The roles a part can play, and everything the program knows of each: one row a role.

A role is a name in the field's own words that stands in results, reports and JSON as it
is.  Its row says what such a part does, under which heading it is listed, where it stands
on the sheet, and what other rooms have to know of it: whether it is a part that anyone
could buy, whether only signal goes through it, which mistakes it invites.  What gives a
part its role is in the modules that walk the circuit.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Flag, StrEnum, auto


class Heading(StrEnum):
    """Under which heading a part is listed; those of a stage stand under its own."""

    STAGE = "Stages"
    OUTPUT = "Output and load"
    SUPPLY = "Supply, from the source outward"
    BIAS = "Bias supply"
    HEATERS = "Heaters"
    OTHER = "Other parts"


class Place(Flag):
    """Where a part stands on the sheet."""

    TUBE = auto()
    GRID_SERIES = auto()
    """In the way to a grid."""
    GRID_SHUNT = auto()
    """From the way to a grid down."""
    CATHODE = auto()
    FEEDBACK = auto()
    PLATE = auto()
    SCREEN = auto()
    WINDING = auto()
    ACROSS_WINDING = auto()
    OUTPUT = auto()
    """Around the load."""
    RAIL_SERIES = auto()
    RAIL_SHUNT = auto()
    """From a rail down."""
    BIAS = auto()
    HEATER = auto()
    ROWS = auto()
    """No place of its own: in the rows below."""


@dataclass(frozen=True, slots=True)
class RoleKind:
    """What is known of a role.

    name: as in results and JSON.  does: what such a part does, for a person.
    place: where it stands on the sheet.  heading: under which it is listed.
    directed: it leads from one net to another, which are said with it.
    stands_for: why nobody could buy such a part, so that it is not judged; empty for
        a true part.
    signal: nothing but signal or a tube's own small current goes through it, so that a
        resistor without a state to size it by is the usual small one.
    swapped: a resistor that gets a neighbor's value when a board is filled.
    electrolytic: a capacitor that is often one and can be put in the wrong way round.
    biases: a resistor of the network that sets a negative bias.
    senses: a resistor over which the current of the tube is read at the bench.
    hot_when_driven: an output stage that is driven too hard heats it.
    """

    name: str
    does: str
    place: Place
    heading: Heading = Heading.STAGE
    directed: bool = False
    stands_for: str = ""
    signal: bool = False
    swapped: bool = False
    electrolytic: bool = False
    biases: bool = False
    senses: bool = False
    hot_when_driven: bool = False


class RoleName(StrEnum):
    """The names of all roles: each is the text as it is in JSON, and knows its row."""

    kind: RoleKind
    _value_: str

    def __new__(cls, kind: RoleKind) -> RoleName:
        """Make the text of a row."""
        name = str.__new__(cls, kind.name)
        name._value_ = kind.name
        name.kind = kind
        return name

    @property
    def words(self) -> str:
        """The name as a person reads it."""
        return self.value.replace("_", " ")

    # Tubes
    VOLTAGE_AMPLIFIER_TUBE = RoleKind("voltage_amplifier_tube", "amplifies voltage", Place.TUBE)
    CATHODE_FOLLOWER_TUBE = RoleKind("cathode_follower_tube", "drives from its cathode", Place.TUBE)
    DRIVER_TUBE = RoleKind("driver_tube", "drives an output stage or a phase inverter", Place.TUBE)
    PHASE_INVERTER_TUBE = RoleKind(
        "phase_inverter_tube", "makes the two phases of a pair", Place.TUBE
    )
    OUTPUT_TUBE = RoleKind("output_tube", "drives the load", Place.TUBE)
    CURRENT_SOURCE_TUBE = RoleKind(
        "current_source_tube", "holds another tube's current", Place.TUBE
    )
    RECTIFIER_TUBE = RoleKind("rectifier_tube", "rectifies B+", Place.TUBE, Heading.SUPPLY)
    REGULATOR_TUBE = RoleKind(
        "regulator_tube", "holds a rail's voltage", Place.TUBE, Heading.SUPPLY
    )

    # The way of the signal to a grid
    INPUT_SOURCE = RoleKind("input_source", "the signal source", Place.GRID_SHUNT)
    INPUT_CAPACITOR = RoleKind("input_capacitor", "passes the input's signal on", Place.GRID_SERIES)
    INPUT_LOAD = RoleKind("input_load", "loads the input", Place.GRID_SHUNT)
    COUPLING_CAPACITOR = RoleKind(
        "coupling_capacitor",
        "passes signal from one stage to a grid and keeps B+ from it",
        Place.GRID_SERIES,
        directed=True,
    )
    INTERSTAGE_RESISTOR = RoleKind(
        "interstage_resistor",
        "in a network between two stages",
        Place.GRID_SERIES | Place.GRID_SHUNT,
    )
    INTERSTAGE_CAPACITOR = RoleKind(
        "interstage_capacitor",
        "in a network between two stages",
        Place.GRID_SERIES | Place.GRID_SHUNT,
    )
    VOLUME_CONTROL = RoleKind(
        "volume_control",
        "a pot that sets the level",
        Place.GRID_SERIES | Place.GRID_SHUNT,
        signal=True,
    )
    TONE_CONTROL = RoleKind(
        "tone_control", "a pot that sets the tone", Place.GRID_SERIES | Place.GRID_SHUNT
    )
    GRID_STOPPER = RoleKind(
        "grid_stopper", "in series with a grid, against oscillation", Place.GRID_SERIES, signal=True
    )
    GRID_LEAK = RoleKind(
        "grid_leak",
        "returns a grid to ground or to its bias",
        Place.GRID_SHUNT,
        signal=True,
        swapped=True,
    )
    GRID_SHUNT_CAPACITOR = RoleKind(
        "grid_shunt_capacitor", "shunts a grid for high frequencies", Place.GRID_SHUNT
    )
    GROUNDING_CAPACITOR = RoleKind(
        "grounding_capacitor", "holds a grid at ground for signal", Place.GRID_SHUNT
    )
    PROTECTION_DIODE = RoleKind("protection_diode", "clamps a grid", Place.GRID_SHUNT)

    # Cathode
    CATHODE_RESISTOR = RoleKind(
        "cathode_resistor",
        "sets the bias of a tube by its own current",
        Place.CATHODE,
        swapped=True,
        senses=True,
    )
    CATHODE_BYPASS_CAPACITOR = RoleKind(
        "cathode_bypass_capacitor",
        "holds a cathode steady for signal",
        Place.CATHODE,
        electrolytic=True,
    )
    CATHODE_LOAD = RoleKind(
        "cathode_load",
        "the load of a cathode follower or cathodyne",
        Place.CATHODE,
        swapped=True,
        senses=True,
    )
    TAIL_RESISTOR = RoleKind(
        "tail_resistor",
        "joins the cathodes of a pair to ground",
        Place.CATHODE,
        swapped=True,
        senses=True,
    )
    SENSE_RESISTOR = RoleKind(
        "sense_resistor", "small, to read a cathode's current over", Place.CATHODE, senses=True
    )
    CATHODE_DIODE = RoleKind("cathode_diode", "lifts a cathode by its own drop", Place.CATHODE)
    CURRENT_SOURCE = RoleKind("current_source", "holds the current of a tube", Place.CATHODE)
    CURRENT_SOURCE_BIAS = RoleKind(
        "current_source_bias", "sets what a current source holds", Place.CATHODE
    )
    CURRENT_SENSOR = RoleKind(
        "current_sensor",
        "a source of 0 V: an ammeter or a closed switch",
        Place.CATHODE | Place.RAIL_SERIES,
    )

    # Feedback
    FEEDBACK_RESISTOR = RoleKind(
        "feedback_resistor",
        "brings signal back to an earlier stage",
        Place.FEEDBACK,
        directed=True,
        signal=True,
        swapped=True,
    )
    FEEDBACK_CAPACITOR = RoleKind(
        "feedback_capacitor",
        "brings signal back to an earlier stage",
        Place.FEEDBACK,
        directed=True,
    )
    FEEDBACK_SHUNT = RoleKind("feedback_shunt", "divides what is fed back", Place.CATHODE)

    # Plate and screen
    PLATE_LOAD = RoleKind(
        "plate_load", "feeds a plate and is its load", Place.PLATE, signal=True, swapped=True
    )
    PLATE_CHOKE = RoleKind("plate_choke", "feeds a plate through a choke", Place.PLATE)
    PLATE_STOPPER = RoleKind("plate_stopper", "small, in series with a plate", Place.PLATE)
    PLATE_SHUNT = RoleKind(
        "plate_shunt",
        "loads a plate for signal",
        Place.PLATE | Place.ACROSS_WINDING,
        hot_when_driven=True,
    )
    SCREEN_RESISTOR = RoleKind(
        "screen_resistor", "feeds a screen", Place.SCREEN, swapped=True, hot_when_driven=True
    )
    SCREEN_BYPASS_CAPACITOR = RoleKind(
        "screen_bypass_capacitor",
        "holds a screen steady for signal",
        Place.SCREEN,
        electrolytic=True,
    )
    INTERSTAGE_TRANSFORMER = RoleKind(
        "interstage_transformer", "drives grids from a plate's winding", Place.WINDING
    )

    # Output and load
    OUTPUT_TRANSFORMER_PRIMARY = RoleKind(
        "output_transformer_primary",
        "winding between an output plate and B+",
        Place.WINDING,
        Heading.OUTPUT,
        hot_when_driven=True,
    )
    OUTPUT_TRANSFORMER_SECONDARY = RoleKind(
        "output_transformer_secondary",
        "winding that drives the load",
        Place.WINDING,
        Heading.OUTPUT,
    )
    FEEDBACK_WINDING = RoleKind(
        "feedback_winding", "winding in a cathode or for feedback", Place.WINDING, Heading.OUTPUT
    )
    OUTPUT_CAPACITOR = RoleKind(
        "output_capacitor",
        "passes signal to the load and keeps B+ from it",
        Place.OUTPUT,
        Heading.OUTPUT,
    )
    SPEAKER_LOAD = RoleKind(
        "speaker_load",
        "the speaker, or a resistor in its place",
        Place.OUTPUT,
        Heading.OUTPUT,
        stands_for="is the load",
    )
    OUTPUT_LOAD = RoleKind("output_load", "loads an output", Place.OUTPUT, Heading.OUTPUT)
    ZOBEL = RoleKind(
        "zobel",
        "resistor and capacitor across the load",
        Place.OUTPUT,
        Heading.OUTPUT,
        hot_when_driven=True,
    )
    WINDING_LOSS = RoleKind(
        "winding_loss",
        "stands for what a core loses",
        Place.ACROSS_WINDING,
        Heading.OUTPUT,
        stands_for="stands for core loss, not a resistor that can burn",
        hot_when_driven=True,
    )
    WINDING_CAPACITANCE = RoleKind(
        "winding_capacitance",
        "stands for the capacitance of a winding",
        Place.ACROSS_WINDING,
        Heading.OUTPUT,
        stands_for="stands for winding capacitance, not a capacitor",
    )
    PART_PROPERTY = RoleKind(
        "part_property",
        "stands for a resistance or leak inside another part",
        Place.ROWS,
        Heading.OTHER,
        stands_for="is a property of the part it is written on, not a part that can burn",
    )
    WIRE_RESISTANCE = RoleKind(
        "wire_resistance",
        "stands for the wire of a winding",
        Place.OUTPUT,
        Heading.OUTPUT,
        stands_for="stands for the wire of a winding, which is judged by its current",
    )
    LEAKAGE_INDUCTANCE = RoleKind(
        "leakage_inductance",
        "stands for what two windings do not share",
        Place.OUTPUT,
        Heading.OUTPUT,
    )
    GROUND_REFERENCE = RoleKind(
        "ground_reference", "ties a net without a path to ground down", Place.OUTPUT
    )

    # Supply
    SUPPLY_SOURCE = RoleKind("supply_source", "the source of B+", Place.RAIL_SHUNT, Heading.SUPPLY)
    SUPPLY_RESISTANCE = RoleKind(
        "supply_resistance",
        "stands for what the supply has inside",
        Place.RAIL_SERIES,
        Heading.SUPPLY,
        stands_for="stands for the supply's own resistance, not a resistor that can burn",
    )
    MAINS_TRANSFORMER = RoleKind(
        "mains_transformer", "winding of the mains transformer", Place.WINDING, Heading.SUPPLY
    )
    RECTIFIER_DIODE = RoleKind(
        "rectifier_diode", "rectifies B+ or a bias", Place.RAIL_SERIES | Place.BIAS, Heading.SUPPLY
    )
    RAIL_DROPPER = RoleKind(
        "rail_dropper",
        "drops B+ from one rail to the next",
        Place.RAIL_SERIES,
        Heading.SUPPLY,
        swapped=True,
    )
    RAIL_CHOKE = RoleKind(
        "rail_choke", "smooths B+ from one rail to the next", Place.RAIL_SERIES, Heading.SUPPLY
    )
    RESERVOIR_CAPACITOR = RoleKind(
        "reservoir_capacitor",
        "first capacitor of B+",
        Place.RAIL_SHUNT,
        Heading.SUPPLY,
        electrolytic=True,
    )
    DECOUPLING_CAPACITOR = RoleKind(
        "decoupling_capacitor",
        "holds a rail steady",
        Place.RAIL_SHUNT,
        Heading.SUPPLY,
        electrolytic=True,
    )
    BLEEDER = RoleKind("bleeder", "loads or empties a rail", Place.RAIL_SHUNT, Heading.SUPPLY)
    REGULATOR_TRANSISTOR = RoleKind(
        "regulator_transistor", "holds a rail's voltage", Place.ROWS, Heading.SUPPLY
    )
    REGULATOR_DIODE = RoleKind(
        "regulator_diode", "sets a rail's voltage", Place.ROWS, Heading.SUPPLY
    )
    FUSE = RoleKind(
        "fuse",
        "noted as a fuse",
        Place.RAIL_SERIES | Place.HEATER,
        Heading.SUPPLY,
        stands_for="is a fuse, judged by when it opens",
    )
    LAMP = RoleKind("lamp", "noted as a lamp", Place.RAIL_SERIES | Place.HEATER, Heading.SUPPLY)

    # Bias supply
    BIAS_SOURCE = RoleKind("bias_source", "the source of a bias", Place.BIAS, Heading.BIAS)
    BIAS_DIVIDER = RoleKind(
        "bias_divider", "divides a bias", Place.BIAS, Heading.BIAS, swapped=True, biases=True
    )
    BIAS_POT = RoleKind("bias_pot", "a pot that sets a bias", Place.BIAS, Heading.BIAS, biases=True)
    BIAS_SERIES_RESISTOR = RoleKind(
        "bias_series_resistor",
        "in the way of a bias to its grids",
        Place.BIAS,
        Heading.BIAS,
        swapped=True,
        biases=True,
    )
    BIAS_FILTER_CAPACITOR = RoleKind(
        "bias_filter_capacitor", "holds a bias steady", Place.BIAS, Heading.BIAS, electrolytic=True
    )
    BACK_BIAS_RESISTOR = RoleKind(
        "back_bias_resistor", "in the return of B+: its drop is a bias", Place.BIAS, Heading.BIAS
    )

    # Heaters
    HEATER_SOURCE = RoleKind("heater_source", "feeds heaters", Place.HEATER, Heading.HEATERS)
    HEATER_LOAD = RoleKind("heater_load", "stands for a heater", Place.HEATER, Heading.HEATERS)
    HEATER_BIAS = RoleKind(
        "heater_bias", "lifts heaters from ground", Place.HEATER, Heading.HEATERS
    )
    HUM_BALANCE = RoleKind(
        "hum_balance", "a pot or resistors across a heater", Place.HEATER, Heading.HEATERS
    )

    # What is not a part of the amplifier
    TRANSFORMER_SOURCE = RoleKind(
        "transformer_source",
        "a controlled source that makes an ideal transformer",
        Place.ROWS,
        Heading.OTHER,
    )
    UNUSED_PART = RoleKind(
        "unused_part", "shorted by the wiring: it carries nothing", Place.ROWS, Heading.OTHER
    )
