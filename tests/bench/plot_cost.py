"""What an idle audit costs against the number of faults and of parts, drawn as a picture.

Run from the checkout, with a file name for the picture:

    python -m tests.bench.plot_cost cost.png

It takes about a minute and prints what it draws.  Left: faults of a push-pull amplifier,
evenly picked from its whole catalogue, solved at idle and at cold start and judged.
Right: chains of equal preamplifier stages, each on its own dropper of one supply; the
whole idle audit of each chain, and that divided by the number of its faults.  A cost is processor
time of the parent and of its one worker, as a ratio to that of the smallest in the same
run: seconds differ from machine to machine, ratios hardly.  Dotted are costs that grow
with the number, and with its square.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log
from pathlib import Path

from netcheck.circuit.model import Circuit
from netcheck.conditions import IDLE
from netcheck.judge.limits import limits_of
from netcheck.pipeline import audit_circuit
from netcheck.rank import judge_fault
from netcheck.report.progress import SilentProgress
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Pool
from netcheck.workbench.faulted import Bench
from netcheck.workbench.settings import Settings
from tests.solve.worker import Demo, Worker, circuit_of, solved

PAIR = "el34_pair_fixed_bias"
FAULTS = (15, 30, 60, 120, 240, 470)
STAGES = (1, 2, 4, 8, 16)
RUNS = 3
"""The least of so many runs counts."""
OPTIONS = Settings(idle_only=True, jobs=1)


@dataclass(frozen=True)
class Cost:
    """What one size costs: processor seconds in all, and of how many faults."""

    size: int
    seconds: float
    faults: int

    @property
    def of_a_fault(self) -> float:
        """Processor seconds of one fault."""
        return self.seconds / self.faults


def processor_s(engine: Engine) -> float:
    """Return the processor time that a worker has used (in the worker)."""
    return time.process_time()


def used_s(worker: Worker) -> float:
    """Return the processor time used here and by the workers, those that were renewed too."""
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    there: float = worker.call(processor_s)
    return time.process_time() + there + ended.ru_utime + ended.ru_stime


def spent(worker: Worker, call: Callable[[], object]) -> float:
    """Return the processor seconds that a call takes here and in the worker."""
    before = used_s(worker)
    call()
    return used_s(worker) - before


def cost_of_faults(counts: Sequence[int], runs: int = RUNS) -> list[Cost]:
    """Solve and judge subsets of one catalogue of faults, evenly picked from it."""
    costs = []
    with Pool(1, time_limit_s=120.0) as pool:
        worker = Worker(pool)
        demo = Demo(PAIR, worker)
        bench = Bench(demo.circuit, OPTIONS, pool)
        healthy = {IDLE: solved(bench.healthy(IDLE))}
        table = limits_of(demo.circuit, demo.roles, healthy)
        every = demo.faults
        for count in counts:
            picked = [every[place * len(every) // count] for place in range(count)]

            def solve_and_judge(picked: Sequence[object] = picked) -> None:
                outcomes = bench.faulted(picked, healthy[IDLE], SilentProgress())
                for number, fault in enumerate(picked):
                    found = {name: each[number] for name, each in outcomes.items()}
                    judge_fault(fault, found, demo.circuit, table, healthy)

            solve_and_judge()
            least = min(spent(worker, solve_and_judge) for _ in range(runs))
            costs.append(Cost(count, least, count))
    return costs


def chain(stages: int) -> Circuit:
    """Return a chain of equal triode stages, eight parts each, behind a source and a supply."""
    lines = ["VHT b0 0 300 ;! follows_mains", "VIN p0 0 0 ;! input"]
    for stage in range(1, stages + 1):
        before = stage - 1
        lines += [
            f"RD{stage} b0 b{stage} 10k ;! power=1W",
            f"CD{stage} b{stage} 0 10u ;! volts=400V",
            f"CC{stage} p{before} g{stage} 22n ;! volts=630V",
            f"RG{stage} g{stage} 0 470k ;! power=0.5W",
            f"X{stage} p{stage} g{stage} k{stage} 12AX7",
            f"RP{stage} b{stage} p{stage} 100k ;! power=0.5W",
            f"RK{stage} k{stage} 0 1.5k ;! power=0.5W",
            f"CK{stage} k{stage} 0 22u ;! volts=25V",
        ]
    return circuit_of(*lines)


def cost_of_parts(stages: Sequence[int], runs: int = RUNS) -> list[Cost]:
    """Audit chains of so many stages at idle, each as a whole."""
    costs = []
    with Pool(1, time_limit_s=120.0) as pool:
        worker = Worker(pool)
        worker.call(processor_s)
        for count in stages:
            circuit = chain(count)
            faults: list[int] = []

            def whole(circuit: Circuit = circuit, faults: list[int] = faults) -> None:
                found = audit_circuit(circuit, "chain", OPTIONS, pool, SilentProgress())
                faults.append(len(found.faults))

            repeats = runs if count < max(stages) else 1
            least = min(spent(worker, whole) for _ in range(repeats))
            costs.append(Cost(len(circuit.parts), least, faults[0]))
    return costs


def slope(costs: Sequence[Cost], value: Callable[[Cost], float]) -> float:
    """Return the power of the size that a cost grows with over the upper half of the sizes."""
    first, last = costs[len(costs) // 2 - 1], costs[-1]
    return log(value(last) / value(first)) / log(last.size / first.size)


def lines_of(title: str, costs: Sequence[Cost], value: Callable[[Cost], float]) -> list[str]:
    """Return the numbers of one curve as lines of text."""
    rows = [f"{title}; over the upper half as the power {slope(costs, value):.2f} of the number"]
    least = value(costs[0])
    for cost in costs:
        rows.append(
            f"  {cost.size:5d} ({cost.size / costs[0].size:5.1f} times): "
            f"{1e3 * value(cost):9.2f} ms, {value(cost) / least:7.2f} times the smallest"
        )
    return rows


def draw(faults: Sequence[Cost], parts: Sequence[Cost], target: Path) -> None:
    """Draw both curves as ratios to the smallest, on scales by ratio."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 4.2), layout="constrained")
    left, right = figure.subplots(1, 2)
    _panel(left, "faults tried, one amplifier", [("all of them", "o-", faults, _whole)])
    whole = ("the whole audit", "s-", parts, _whole)
    single = ("one of its faults", "^--", parts, _single)
    _panel(right, "parts, chains of stages", [whole, single])
    figure.suptitle("Processor time of an idle audit, as a ratio to the smallest")
    figure.savefig(target, dpi=120)


def _whole(cost: Cost) -> float:
    return cost.seconds


def _single(cost: Cost) -> float:
    return cost.of_a_fault


def _panel(
    axes: object,
    label: str,
    curves: Sequence[tuple[str, str, Sequence[Cost], Callable[[Cost], float]]],
) -> None:
    from matplotlib.axes import Axes

    assert isinstance(axes, Axes)
    sizes = [cost.size for cost in curves[0][2]]
    for name, style, costs, value in curves:
        ratios = [value(cost) / value(costs[0]) for cost in costs]
        axes.plot(sizes, ratios, style, label=name)
    for power, name in ((1, "with the number"), (2, "with its square")):
        growth = [(size / sizes[0]) ** power for size in sizes]
        axes.plot(sizes, growth, ":", color=str(0.25 * power), label=name)
    axes.set(xscale="log", yscale="log", xlabel=label, ylabel="times the smallest")
    axes.set_xticks(sizes, [str(size) for size in sizes])
    axes.minorticks_off()
    axes.yaxis.set_major_formatter("{x:g}")
    axes.grid(alpha=0.3)
    axes.legend(fontsize="small")


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure, print and draw."""
    parser = argparse.ArgumentParser(description="Draw what an idle audit costs.")
    parser.add_argument("picture", type=Path, help="The .png to write.")
    parser.add_argument("--runs", type=int, default=RUNS, help="The least of so many counts.")
    for name, usual in (("faults", FAULTS), ("stages", STAGES)):
        parser.add_argument(f"--{name}", type=int, nargs="+", default=usual, metavar="NUMBER")
    asked = parser.parse_args(arguments)
    target: Path = asked.picture
    if target.suffix != ".png" or not target.absolute().parent.is_dir():
        parser.error("the picture has to be a .png in a folder that is there")
    if min(len(asked.faults), len(asked.stages)) < 2 or min(*asked.faults, *asked.stages) < 1:
        parser.error("two sizes and more of each, from 1 up")
    faults = cost_of_faults(sorted(asked.faults), asked.runs)
    parts = cost_of_parts(sorted(asked.stages), asked.runs)
    for line in (
        *lines_of("faults of one amplifier", faults, _whole),
        *lines_of("parts of a chain, the whole audit", parts, _whole),
        *lines_of("parts of a chain, one of its faults", parts, _single),
    ):
        print(line)
    draw(faults, parts, target)


if __name__ == "__main__":
    main()
