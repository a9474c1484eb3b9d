"""A diagnosis written down: what an investigation has found, as values for reports.

Comes in: an `Investigation`.  Goes out: a `Diagnosis`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.model import GROUND
from netcheck.diagnose.dictionary import Point
from netcheck.diagnose.hypotheses import NO_FAULT_SHARE, NONE_SHARE, rounded_size, size_words
from netcheck.diagnose.investigation import STANDS_OUT, Investigation
from netcheck.diagnose.next_probe import Outlook, Proposal, propose
from netcheck.diagnose.pair_causes import (
    PAIR,
    SIGMAS,
    PairsWeighed,
    pair_line,
    shares_with_pairs,
    shown,
    singles_fail,
    weigh_pairs,
)
from netcheck.diagnose.posterior import MISTAKE, MODEL_SHARE, Posterior, point_of
from netcheck.diagnose.readings import Reading
from netcheck.diagnose.sheet_lines import CAUTIONS
from netcheck.diagnose.situations import IDLE, POWER_OFF
from netcheck.errors import SolverUnavailableError
from netcheck.faults.base import Fault
from netcheck.models.diagnosis import (
    NONE_OF_THESE,
    CauseLine,
    Diagnosis,
    EvidenceLine,
    Explained,
    Foretold,
    GroupLine,
    ProbeLine,
    ReadingLine,
)
from netcheck.models.facts import title_of
from netcheck.models.sheet import SheetUnit

Array = NDArray[np.float64]

UNITS: dict[str, SheetUnit] = {
    "volts": "V", "leak": "V", "amperes": "A", "watts": "W", "ohms": "ohm",
}  # fmt: skip
ENDS = (5.0, 95.0)
"""Percentiles of a band: 90 % of units."""
LEAST_EXPLAINED = 0.002
"""Causes less likely are not explained reading by reading."""
MOST_FORETOLD = 6
LIKELY_MISTAKE = 0.5
"""A reading more likely misread than not is to be read again."""
SOUND = "Every part is within its tolerance: what was complained of is not at rest, or not here."
UNKNOWN = (
    "Something that is not in the catalogue, or two faults at once, or a netlist that is not this "
    "unit's."
)


def diagnosis_of(investigation: Investigation, file: str) -> Diagnosis:
    """Return what is known so far."""
    weighed = weighed_pairs(investigation)
    writer = _Writer(investigation, weighed)
    dictionary = investigation.basis.dictionary
    causes = writer.causes()
    settled = _settled(investigation, causes)
    proposals = [] if settled else investigation.proposals
    return Diagnosis(
        file,
        title_of(dictionary.circuit),
        dictionary.options.meter.words,
        tuple(writer.readings()),
        tuple(EvidenceLine(one.text, one.words) for one in investigation.evidence),
        tuple(causes),
        tuple(writer.groups(causes)),
        tuple(writer.probe(one) for one in proposals),
        investigation.refused,
        tuple(writer.unsolved()),
        settled,
        CAUTIONS,
        tuple(writer.assumptions()),
        dictionary.page(IDLE.key).engine,
        tuple(writer.doubtful()),
    )


def weighed_pairs(investigation: Investigation) -> PairsWeighed:
    """Return pairs of faults, where single ones fail; without a solver there are none."""
    if not singles_fail(investigation.posterior):
        return PairsWeighed((), 0, 0, ())
    try:
        weighed = weigh_pairs(investigation)
    except SolverUnavailableError as error:
        return PairsWeighed((), 0, 0, (f"two faults at once: {error.message}",))
    if weighed.unsolved:
        investigation.basis.dictionary.pool().heed_stop()
    return weighed


def _settled(investigation: Investigation, causes: Sequence[CauseLine]) -> str:
    """Return why no more is asked; what fits nothing is not called a cause that stands out."""
    settled, posterior = investigation.settled, investigation.posterior
    if settled and posterior.none >= STANDS_OUT:
        fit = "only two faults at once" if causes[0].kind == PAIR else "none"
        return f"of the causes that were weighed, {fit} would explain the readings"
    return settled


class _Writer:
    """Turns arrays into lines."""

    def __init__(self, investigation: Investigation, weighed: PairsWeighed) -> None:
        self.investigation, self.weighed = investigation, weighed
        self.dictionary = investigation.basis.dictionary
        self.posterior: Posterior = investigation.posterior
        self.known = self.posterior.hypotheses
        self.names = self.posterior.names
        self.group_of = {
            cause: number
            for number, group in enumerate(self.posterior.groups(), start=1)
            for cause in group
        }

    def readings(self) -> Iterator[ReadingLine]:
        """Yield the readings in the order in which they came."""
        metered = iter(range(len(self.posterior.looked.points)))
        for one in self.investigation.readings:
            if one.kind == "ripple":
                yield _ripple_line(one)
            else:
                yield self._reading(one, next(metered))

    def _reading(self, reading: Reading, at: int) -> ReadingLine:
        point, posterior = point_of(reading), self.posterior
        foreseen = posterior.looked.foreseen[at]
        low, high = np.percentile(foreseen.units[0], ENDS)
        noise = float(posterior.sight.noise[at])
        sigma = math.hypot(float(foreseen.units[0].std()), noise)
        of_part = reading.kind in ("amperes", "watts", "leak")
        return ReadingLine(
            reading.text,
            reading.situation,
            UNITS[reading.kind],
            "" if of_part else reading.first,
            "" if of_part else reading.second or GROUND,
            reading.first if of_part else "",
            reading.value,
            shown(point, float(foreseen.nominal[0]), foreseen.open_ohm),
            shown(point, float(low) - SIGMAS * noise, foreseen.open_ohm),
            shown(point, float(high) + SIGMAS * noise, foreseen.open_ohm),
            float(posterior.sight.value[at] - foreseen.nominal[0]) / sigma,
        )

    def causes(self) -> list[CauseLine]:
        """Return all causes and pairs, likeliest first."""
        singles, pairs = shares_with_pairs(self.posterior, self.weighed)
        lines = [
            self._none(share) if cause == len(self.known.causes) else self._cause(cause, share)
            for cause, share in enumerate(map(float, singles))
        ]
        last = max(self.group_of.values())
        lines += [
            pair_line(self.investigation, pair, float(share), last + place)
            for place, (pair, share) in enumerate(zip(self.weighed.pairs, pairs, strict=True), 1)
        ]
        return sorted(lines, key=lambda one: -one.probability)

    def _none(self, share: float) -> CauseLine:
        return CauseLine(
            NONE_OF_THESE, (), "", UNKNOWN, share, NONE_SHARE, self.group_of[len(self.known.causes)]
        )

    def _cause(self, cause: int, share: float) -> CauseLine:
        nodes = np.flatnonzero(self.known.cause == cause)
        best = int(nodes[np.argmax(self.posterior.node[nodes])])
        nearer_high = self.known.share[best] >= 0.5
        row = int(self.known.high[best] if nearer_high else self.known.low[best])
        line = CauseLine(
            self.names[cause], (), "", SOUND, share, self.known.causes[cause].prior,
            self.group_of[cause],
        )  # fmt: skip
        if share >= LEAST_EXPLAINED or cause == 0:
            line = replace(
                line,
                explained=tuple(self._explained(best)),
                evidence=tuple(float(one) for one in self.investigation.evidence_by_node[:, best]),
            )
        if row == 0:
            return line
        fault = self._fault(best, row)
        smallest, largest = self._ends(nodes)
        return replace(
            line,
            parts=fault.parts,
            kind=fault.kind,
            words=fault.summary,
            defect=self._size(best),
            smallest=smallest,
            largest=largest,
            overheats=self.investigation.basis.heat.words(row),
            next_step=fault.next_measurement,
        )

    def _fault(self, node: int, row: int) -> Fault:
        """Return the fault of a node, of its own size where it stands between two on file."""
        fault, size = self.dictionary.faults[row - 1], self.known.sizes[node]
        if size is None or fault.defect is None or self.known.low[node] == self.known.high[node]:
            return fault
        rounded = rounded_size(size, fault.defect.unit)
        return self.investigation.basis.of_size(fault, rounded) or fault

    def _ends(self, nodes: NDArray[np.int64]) -> tuple[str, str]:
        """Return the smallest and largest size that hold 90 % of a cause's probability."""
        if len(nodes) == 1:
            return "", ""
        weight = self.posterior.node[nodes]
        total = float(weight.sum())
        if total <= 0.0:
            return "", ""
        passed = np.cumsum(weight) / total
        places = [int(np.argmax(passed >= share)) for share in (0.05, 0.95)]
        first, last = (int(nodes[place]) for place in places)
        return self._size(first), self._size(last)

    def _size(self, node: int) -> str:
        """Return the size of a node; one that is on file as its fault has it."""
        row = int(self.known.low[node])
        if row and row == int(self.known.high[node]):
            defect = self.dictionary.faults[row - 1].defect
            return defect.text if defect is not None else ""
        return size_words(self.known, self.dictionary.faults, node)

    def _explained(self, node: int) -> Iterator[Explained]:
        posterior = self.posterior
        metered = iter(range(len(posterior.looked.points)))
        ripples = iter(range(len(self.investigation.ripples)))
        for one in self.investigation.readings:
            if one.kind == "ripple":
                likely = float(self.investigation.ripple_by_node[next(ripples), node])
                yield Explained(math.nan, math.nan, math.nan, math.nan, likely)
                continue
            at, point = next(metered), point_of(one)
            units, most = posterior.looked.units[at, node], posterior.looked.foreseen[at].open_ohm
            low, high = np.percentile(units, ENDS)
            noise = float(posterior.sight.noise[at])
            away = float(posterior.sight.value[at] - units.mean())
            yield Explained(
                shown(point, float(np.median(units)), most),
                shown(point, float(low) - SIGMAS * noise, most),
                shown(point, float(high) + SIGMAS * noise, most),
                away / math.sqrt(float(posterior.covariance[node, at, at]) + noise**2),
            )

    def groups(self, causes: Sequence[CauseLine]) -> Iterator[GroupLine]:
        """Yield the ambiguity groups, each with what would split it best; pairs stand alone."""
        share = {one.id: one.probability for one in causes}
        for number, group in enumerate(self.posterior.groups(), start=1):
            names = tuple(self.names[cause] for cause in group)
            splits = self._split(group) if len(group) > 1 else ""
            yield GroupLine(number, math.fsum(share[name] for name in names), names, splits)
        for one in sorted((x for x in causes if x.kind == PAIR), key=lambda x: x.group):
            yield GroupLine(one.group, one.probability, (one.id,))

    def _split(self, group: Sequence[int]) -> str:
        inside = np.isin(self.known.cause, group)
        node = np.where(inside, self.posterior.node, 0.0)
        total = float(node.sum())
        if total <= 0.0:
            return ""
        points = self.investigation.points(self.investigation.situations)
        found = propose(self.dictionary, replace(self.posterior, node=node / total), points)
        return probe_id(found[0]) if found else ""

    def probe(self, proposal: Proposal) -> ProbeLine:
        """Return a proposal with what it would read under the likeliest causes."""
        point, wanted = proposal.point, proposal.wanted
        return ProbeLine(
            probe_id(proposal),
            wanted.what,
            point.situation,
            point.asked,
            wanted.red,
            wanted.black,
            UNITS[point.kind],
            proposal.gain_bit,
            proposal.effort,
            tuple(self._foretold(point, one) for one in proposal.outlooks[:MOST_FORETOLD]),
        )

    def _foretold(self, point: Point, outlook: Outlook) -> Foretold:
        half = SIGMAS * outlook.sigma
        most = self.dictionary.open_ohm(point)
        low, value, high = (shown(point, outlook.value + off, most) for off in (-half, 0.0, half))
        return Foretold(self.names[outlook.cause], value, low, high)

    def unsolved(self) -> Iterator[str]:
        """Yield the faults that could not be weighed, with the reason."""
        reasons = self.investigation.basis.reasons[1:]
        read = {one.situation for one in self.investigation.readings} - {POWER_OFF.key}
        pages = [self.dictionary.page(key) for key in sorted(read)]
        known = zip(self.dictionary.faults, reasons, strict=True)
        for row, (fault, reason) in enumerate(known, start=1):
            if reason:
                yield f"{fault.id}: {reason}"
                continue
            for page in pages:
                if page.reasons[row]:
                    yield f"{fault.id}, at {page.situation}: {page.reasons[row]}"
                elif page.missing[row]:
                    yield (
                        f"{fault.id}, at {page.situation}: {page.missing[row]} of "
                        f"{page.draws.shape[2]} units; the others stand for them"
                    )
        yield from self.weighed.unsolved
        if self.weighed.left_out:
            yield (
                f"{self.weighed.left_out} pairs of faults that promise less than the "
                f"{self.weighed.tried} solved"
            )

    def assumptions(self) -> Iterator[str]:
        """Yield what was taken for granted."""
        options = self.dictionary.options
        yield (
            f"every fault was solved for {options.draws} units within tolerance (seed "
            f"{options.seed}), mains {options.mains or 'nominal'}; a reading may be off by the "
            f"meter's accuracy and {MODEL_SHARE * 100.0:g} % of model, and {MISTAKE * 100.0:g} % "
            "of readings may be mistakes"
        )
        yield (
            "how likely a fault is before the readings is an ordinal class (common practice), "
            f"for a set that is {options.build.replace('_', ' ')}; {NO_FAULT_SHARE * 100.0:g} % "
            f"are kept for no fault and {NONE_SHARE * 100.0:g} % for what is not in the catalogue"
        )
        yield from self.dictionary.shortfalls
        yield from self.dictionary.spread.remarks

    def doubtful(self) -> Iterator[str]:
        """Yield the readings that look like mistakes."""
        mistakes = self.posterior.mistakes * (1.0 - self.posterior.none)
        for one, share in zip(self.investigation.metered, mistakes, strict=True):
            if share > LIKELY_MISTAKE:
                yield (
                    f"{one.text} fits none of the likely causes; a mistake with a probability of "
                    f"{share * 100.0:.0f} %: measure it once more, both probes anew"
                )


def probe_id(proposal: Proposal) -> str:
    """Return the stable id of a measurement, as on the bench sheet."""
    return f"{proposal.point.situation}/{proposal.wanted.name}"


def _ripple_line(reading: Reading) -> ReadingLine:
    nothing = math.nan
    return ReadingLine(
        reading.text, reading.situation, None, reading.first, GROUND, "", reading.value,
        nothing, nothing, nothing, nothing,
    )  # fmt: skip
