"""Roles, stages and supply rails: what the recogniser says of a circuit.

Each role carries why it was given and how sure it is; `RoleName` has what is known of
it beside that.  A part that serves several tubes (a shared cathode resistor, a common
grid leak) has one role for each of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from netcheck.roles.table import RoleName


@dataclass(frozen=True, slots=True)
class Role:
    """One role of one part.

    of: the part (a tube's ref), net or stage the role is played for.
    source_net, feeds: for a coupling capacitor the net on the plate's (cathode's,
        input's) side and the one on the grid's side; for feedback likewise; for
        other parts source_net is the net a leak returns to or a feed comes from.
    """

    part: str
    name: RoleName
    of: str
    why: str
    confidence: float = 1.0
    source_net: str = ""
    feeds: str = ""


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another reading of a stage that the circuit allows, and what speaks for it."""

    kind: str
    form: str
    confidence: float
    why: str


@dataclass(frozen=True, slots=True)
class SignalPath:
    """One stage that drives another.

    source, target: stage ids; an empty source is the input.  how: capacitor,
    network (capacitors and resistors that are in no grid circuit), transformer, or
    direct.  via: the coupling parts from source to target; for a direct path the
    resistors in the way, or the input source.  electrode: the one that the signal
    leaves (plate, cathode, input); pin: the one it enters (grid or cathode).
    """

    source: str
    target: str
    how: str
    via: tuple[str, ...] = ()
    electrode: str = "plate"
    pin: str = "grid"


NO_LOAD = "no_load"
"""Form of an output stage whose load is left out of the netlist."""


@dataclass(frozen=True, slots=True)
class Stage:
    """A group of tubes that works as one.

    kind: single_ended push_pull parallel_single_ended voltage_amplifier
        cathode_follower phase_inverter current_source regulator unknown.
    form: of a voltage amplifier "" (common cathode), choke_loaded, grounded_grid,
        cascode, shunt_regulated_push_pull, mu_follower, active_load (a tube as
        plate load), balanced_pair (two driven grids, one tail) or cathode_coupled
        (one tail, one output); of a cathode follower "" or white; of a phase
        inverter cathodyne, long_tailed_pair, paraphase, floating_paraphase or
        interstage_transformer; of a current source tail or cathode_load; of an
        output stage "", parafeed, choke_loaded, cathode_feedback, cathode_follower,
        bridged or no_load (its transformer is left out: it is judged at idle only);
        of an unknown stage stacked (one tube feeds the other's plate).
    connection: triode pentode ultralinear.  bias: cathode fixed mixed grid_leak
        back direct unknown.
    sides: for push-pull the refs of each side, else ().
    alternatives: other readings that the circuit allows.
    """

    id: str
    kind: str
    tubes: tuple[str, ...]
    connection: str
    bias: str
    evidence: tuple[str, ...]
    confidence: float = 1.0
    form: str = ""
    sides: tuple[tuple[str, ...], tuple[str, ...]] | None = None
    is_output: bool = False
    alternatives: tuple[Alternative, ...] = ()


@dataclass(frozen=True, slots=True)
class OutputTransformer:
    """Windings of one output transformer.

    primaries: plate windings by the plate net they serve: mapping from the tube
        ref to its winding segments in order from plate to center tap.
    center_tap: net; taps: screen tap net by tube ref (ultralinear).
    """

    primaries: Mapping[str, tuple[str, ...]]
    center_tap: str
    secondaries: tuple[str, ...]
    speaker: str | None
    taps: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Adjuster:
    """A pot that sets how tubes are biased.

    pot: its name.  kind: bias (all tubes of its source alike), balance (some up,
    others down), trim (some of the source's tubes only), cathode (in the cathode
    circuit) or hum (across a heater).  parts: refs of its halves, the upper one
    first.  range_v: volts at each feed net with the first half at nothing and at the
    whole track, every other pot as it stands (back bias: shares of the drop).
    """

    pot: str
    kind: str
    parts: tuple[str, ...]
    tubes: tuple[str, ...]
    range_v: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ScreenSupply:
    """What a screen's current comes through.

    kind: rail, plate, tap, resistor or unfed.  source: net it comes from.  parts: from
    the screen to that net; shared: those of them that feed other screens too.
    droppers: from that net back toward the supply, nearest first.  bypass:
    capacitors on the screen.
    """

    tube: str
    kind: str
    source: str
    parts: tuple[str, ...] = ()
    shared: tuple[str, ...] = ()
    droppers: tuple[str, ...] = ()
    bypass: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BiasSupply:
    """A negative supply that biases output grids.

    source: the voltage source; feed_net: where the grid leaks meet; tubes: the
    tubes it biases; pot: refs of the upper and lower half of the pot that sets it;
    divider: other resistors between source and feed (a balance pot's among them);
    adjusters: all pots that act on it.
    """

    source: str
    feed_net: str
    tubes: tuple[str, ...]
    pot: tuple[str, ...] = ()
    divider: tuple[str, ...] = ()
    adjusters: tuple[Adjuster, ...] = ()


@dataclass(frozen=True, slots=True)
class Roles:
    """All that was recognised."""

    roles: tuple[Role, ...]
    stages: tuple[Stage, ...]
    transformers: tuple[OutputTransformer, ...]
    bias_supplies: tuple[BiasSupply, ...]
    rails: tuple[str, ...]
    """Positive supply nets, from the source outward."""
    input_source: str | None
    unrecognised: tuple[str, ...]
    """Parts without a role."""
    signal_order: tuple[str, ...] = ()
    """Stage ids from the input to the output; see `stages_in_order`."""
    signal_paths: tuple[SignalPath, ...] = ()
    """Which stage drives which, in the order of the stages driven."""
    adjusters: tuple[Adjuster, ...] = ()
    """Pots that set a bias or the hum, each once."""
    screen_feeds: tuple[ScreenSupply, ...] = ()
    """What each screen's current comes through."""

    def __iter__(self) -> Iterator[Role]:
        return iter(self.roles)

    def of_part(self, ref: str) -> tuple[Role, ...]:
        """Roles of one part."""
        return tuple(role for role in self.roles if role.part == ref)

    def named(self, *names: RoleName) -> tuple[Role, ...]:
        """Roles with one of these names, in part order."""
        return tuple(role for role in self.roles if role.name in names)

    @property
    def stages_in_order(self) -> tuple[Stage, ...]:
        """Stages in the order the signal takes; whatever it was not said of comes last."""
        place = {name: number for number, name in enumerate(self.signal_order)}
        return tuple(sorted(self.stages, key=lambda stage: place.get(stage.id, len(place))))

    @property
    def output_stages(self) -> tuple[Stage, ...]:
        """Stages that drive a load through an output transformer."""
        return tuple(stage for stage in self.stages if stage.is_output)

    @property
    def output_tubes(self) -> tuple[str, ...]:
        """Refs of all output tubes."""
        return tuple(ref for stage in self.output_stages for ref in stage.tubes)
