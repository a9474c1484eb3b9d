"""What all kinds of resistor fault share.

Comes in: a circuit, its roles, and `Habits`: what goes wrong with resistors of one
job and how likely each of it is.  Goes out: faults and sweeps.  Every kind spells its
ids here, so that a resistor with two jobs is listed once: wrong value, drift, open
and short are the same change of the same part whatever it is there for.

An open resistor is also one that was left out or never soldered.  Wrong values are those a
resistor is likely to be fitted with: the color code's multiplier read one or two decades off,
and the next values of the E12 and E6 series above and below (a part from the next bin).

Source: E6 and E12 after IEC 60063; the multiplier band after IEC 60062.  How often each
slip happens is common practice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import floor, log10

from netcheck.circuit.changes import OPEN_OHM, SHORT_OHM, SetValue
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    Likelihood,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import (
    POWER_OFF,
    joined,
    make_fault,
    parts_with_role,
    served_tubes,
    sweep,
)
from netcheck.roles.base import Role, Roles
from netcheck.roles.table import RoleName

ONE_VALUE = 1e-3
"""Two values this near are one fault, under the likelier word."""
SWEEP_FACTOR = 100.0

UPWARD = likelihood("occasional", "common practice: carbon composition drifts upward")
CARBON_UPWARD = likelihood(
    "common", "common practice: carbon composition of 33 kohm to 1 Mohm drifts upward"
)
DOWNWARD = likelihood("rare", "common practice: resistors seldom drift downward")
MODES = "59 % of film, 65 % of wirewound and 31 % of composition resistor failures"
OPEN = likelihood("occasional", f"common practice; open is {MODES} (FMD-91, from memory)")
OPEN_AFTER_OVERLOAD = likelihood(
    "common", f"common practice, after an overload; open is {MODES} (FMD-91, from memory)"
)
SHORTED = likelihood(
    "rare",
    "common practice: a stray wire or a bridge of solder; a short is 5 % of film and 9 % of "
    "wirewound resistor failures (FMD-91, from memory)",
)

E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E6 = (10, 15, 22, 33, 47, 68)
BAND = "IEC 60062 color code, multiplier band; how often: common practice"
SAME = 0.01
"""Two values nearer than this are the same preferred number."""


@dataclass(frozen=True, slots=True)
class Slip:
    """A wrong value and how it comes about."""

    ohm: float
    why: str
    likelihood: Likelihood


def slips(ohm: float) -> Iterator[Slip]:
    """Give the likely wrong values for a resistor of `ohm`, the likelier first."""
    yield from decade_slips(ohm)
    for name, series in (("E12", E12), ("E6", E6)):
        yield from neighbor_slips(ohm, name, series)
    for factor, text in ((100.0, "a hundred times"), (0.01, "a hundredth of")):
        yield Slip(ohm * factor, f"{text} the value, multiplier two off", likelihood("rare", BAND))


def coarse_slips(ohm: float) -> Iterator[Slip]:
    """Give the wrong values that matter where a fifth more or less does not."""
    yield from decade_slips(ohm)
    yield from neighbor_slips(ohm, "E6", E6)


def decade_slips(ohm: float) -> Iterator[Slip]:
    """Give the values that a multiplier band read one off leads to."""
    for factor, text in ((10.0, "ten times"), (0.1, "a tenth of")):
        yield Slip(
            ohm * factor, f"{text} the value, multiplier one off", likelihood("common", BAND)
        )


def neighbor_slips(ohm: float, name: str, series: Sequence[int]) -> Iterator[Slip]:
    """Give the values from the next bin on either side."""
    source = f"IEC 60063 {name} neighbor; how often: common practice"
    for value in neighbors(ohm, series):
        yield Slip(value, f"the next {name} value", likelihood("occasional", source))


def neighbors(ohm: float, series: Sequence[int]) -> tuple[float, float]:
    """Return the next lower and the next higher preferred value."""
    decade = floor(log10(ohm))
    # Powers divide below zero so that 4.7 comes out as 47/10, the float a person types.
    ladder = [
        float(step * 10**power if power >= 0 else step / 10**-power)
        for power in range(decade - 2, decade + 2)
        for step in series
    ]
    lower = max(value for value in ladder if value < ohm * (1.0 - SAME))
    higher = min(value for value in ladder if value > ohm * (1.0 + SAME))
    return lower, higher


OTHER_VALUE = "The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted."
RESISTOR_SOURCE = "common practice; failure modes of resistors: FMD-91, from memory"

WRONG_VALUE = Word("wrong_value", "common", "assembly")
DRIFTED = Word("drifted", "occasional", "wear", grows="drift", deviates=True, starves=True,
               gives_up=True)  # fmt: skip
DRIFTED_DOWN = Word("drifted_down", "rare", "wear", grows="drift", deviates=True)
DRIFTED_UP = replace(DRIFTED_DOWN, name="drifted_up", level="occasional")
LEFT_OPEN = Word("open", "occasional", "chance", gives_up=True, unsoldered=True)
BURNT_OPEN = replace(LEFT_OPEN, level="common")
BRIDGED = Word("shorted", "rare", "assembly")
RESISTOR = (WRONG_VALUE, DRIFTED, DRIFTED_DOWN, DRIFTED_UP, LEFT_OPEN, BRIDGED)

BURNT = (
    Sign(
        "damaged",
        0.4,
        f"{PRACTICE}: cathode, screen and supply resistors open by burning",
        "open",
    ),
    Sign(
        "damaged",
        0.3,
        f"{PRACTICE}: heat darkens the bands of a composition resistor and raises it",
        "drifted drifted_up",
    ),
)
"""What is seen of resistors that carry current."""

Job = tuple[Part, tuple[Role, ...]]


@dataclass(frozen=True, slots=True)
class Habits:
    """What goes wrong with the resistors of one job.

    roles: the jobs; slips: wrong values, None for none.
    drifts: factors; open, shorted: how likely, None where it is not listed.
    swept: which way its value is swept.  measure: how it is found, None for the
    usual way.
    """

    roles: tuple[RoleName, ...]
    slips: Callable[[float], Iterable[Slip]] | None = coarse_slips
    drifts: tuple[float, ...] = ()
    upward: Likelihood = UPWARD
    open: Likelihood | None = OPEN
    shorted: Likelihood | None = SHORTED
    swept: tuple[str, ...] = ("drifted_down", "drifted_up")
    measure: Callable[[Part], str] | None = None

    def faults(self, circuit: Circuit, roles: Roles) -> Iterator[Fault]:
        """List wrong values, drift, open and short of every resistor with one of the jobs."""
        for part, played in resistors(circuit, roles, self):
            job, healthy = job_text(circuit, played), part.value or 0.0
            listed = [healthy]
            for slip in self.slips(healthy) if self.slips else ():
                if _is_new(slip.ohm, listed):
                    yield _fault(
                        self, part, job, "wrong_value", slip.ohm, slip.likelihood, slip.why
                    )
            for factor in self.drifts:
                if _is_new(healthy * factor, listed):
                    yield drifted(self, part, job, "drifted", healthy * factor)
            if self.open and healthy < OPEN_OHM:
                yield _fault(self, part, job, "open", OPEN_OHM, self.open)
            if self.shorted and healthy > SHORT_OHM:
                yield _fault(self, part, job, "shorted", SHORT_OHM, self.shorted)

    def sweeps(self, circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
        """Sweep every such resistor down to a hundredth and up to a hundred times."""
        for part, played in resistors(circuit, roles, self):
            healthy = part.value or 0.0
            ends = {"drifted_down": healthy / SWEEP_FACTOR, "drifted_up": healthy * SWEEP_FACTOR}
            for kind in self.swept:
                make = partial(drifted, self, part, job_text(circuit, played), kind)
                yield sweep([part.ref], kind, "ohm", (healthy, ends[kind]), make)


def resistors(circuit: Circuit, roles: Roles, habits: Habits) -> tuple[Job, ...]:
    """Return the resistors with one of the jobs, pots left out: those have kinds of their own."""
    listed = parts_with_role(circuit, roles, "resistor", *habits.roles)
    return tuple((part, played) for part, played in listed if not part.note.pot)


def job_text(circuit: Circuit, played: tuple[Role, ...]) -> str:
    """Say what a part is there for: `the cathode resistor of V1 and V2`."""
    name = played[0].name.words
    return f"the {name} of {joined(served_tubes(circuit, played), played[0].of)}"


def drifted(habits: Habits, part: Part, job: str, kind: str, ohm: float) -> Fault:
    """Return a resistor that has drifted to `ohm`."""
    factor = ohm / (part.value or ohm)
    chance = habits.upward if factor > 1.0 else DOWNWARD
    return _fault(habits, part, job, kind, ohm, chance, f"{factor:.3g} times its value")


def _is_new(ohm: float, listed: list[float]) -> bool:
    """Say whether no listed value is the same as `ohm`, and list it then."""
    if any(abs(ohm - other) <= ONE_VALUE * other for other in listed):
        return False
    listed.append(ohm)
    return True


def _fault(
    habits: Habits,
    part: Part,
    job: str,
    kind: str,
    ohm: float,
    chance: Likelihood,
    why: str = "",
) -> Fault:
    defect = Defect(ohm, "ohm")
    marked = Defect(part.value or 0.0, "ohm").text
    happened = {
        "open": "is open, or was left out",
        "shorted": "is shorted",
        "wrong_value": f"is {defect.text} where {marked} belongs ({why})",
    }.get(kind, f"has drifted to {defect.text} from {marked} ({why})")
    measure = habits.measure(part) if habits.measure else usual_measurement(part)
    return make_fault(
        [part.ref],
        kind,
        [SetValue(part.ref, ohm)],
        chance,
        summary=f"{part.ref}, {job}, {happened}.",
        measure=measure,
        defect=defect,
        only_size=kind in ("open", "shorted"),
    )


def usual_measurement(part: Part) -> str:
    """Say how a resistor is measured."""
    marked = Defect(part.value or 0.0, "ohm").text
    return f"{POWER_OFF}: lift one end of {part.ref} and measure it; {marked} belongs there."
