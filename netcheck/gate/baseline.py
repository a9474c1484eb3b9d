"""What got worse since an earlier run.

Comes in: the rows of today, and a JSON report of an earlier `netcheck gate` or
`netcheck audit`.  Goes out: the same rows, each marked `new`, `worse`, `same` or
`better`, with what it was before.  Only what got worse fails; what was wrong already
is `known`.

Worse is: a ratio up by more than `RATIO_MARGIN` of the limit where it now reaches
`NOTEWORTHY` of it; a graver verdict; a tipping point nearer to health by more than
`TIPPING_MARGIN`; a finding or an overload that was not there.  Beyond three times a
limit ratios are noise and are not compared.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from netcheck.conditions import DRIVEN, FULL, kind_beyond_use
from netcheck.errors import NetcheckError
from netcheck.gate.rows import OUTCOMES
from netcheck.judge.base import GROSS_RATIO, ratio_verdict
from netcheck.judge.verdict import GRAVITY
from netcheck.models.checks import Change, CheckedFile, CheckRow, Outcome
from netcheck.report.words import ratio_words, size

RATIO_MARGIN = 0.02
"""Driven states settle within 1 to 2 % of each other from one version to the next."""
NOTEWORTHY = 0.5
"""Below half of its limit a part may take more without being worse off."""
TIPPING_MARGIN = 0.05
"""Tipping points are found to 1 % of their size, under drive to 2 %."""

_PROBLEMS: frozenset[Outcome] = frozenset({"fail", "unsolved", "warn"})
_NEARNESS = {"already_over": 0, "found": 1, "not_solved": 2, "not_at_idle": 3, "never": 3}


@dataclass(frozen=True, slots=True)
class Past:
    """What an earlier run said of one row."""

    outcome: str = ""
    verdict: str = ""
    ratio: float | None = None
    tip_value: float | None = None
    tip_status: str = ""


@dataclass(frozen=True, slots=True)
class PastFile:
    """What an earlier run said of one netlist."""

    conditions: tuple[str, ...]
    engine: str
    rows: Mapping[str, Past]


@dataclass(frozen=True, slots=True)
class Baseline:
    """An earlier run, by the name of each netlist."""

    name: str
    files: Mapping[str, PastFile]

    def of(self, file: str) -> PastFile | None:
        """Return what was said of a netlist: by its name, else by its last part."""
        if file in self.files:
            return self.files[file]
        last = file.rpartition("/")[2]
        same = [past for name, past in self.files.items() if name.rpartition("/")[2] == last]
        return same[0] if len(same) == 1 else None


def compare(checked: CheckedFile, baseline: Baseline) -> CheckedFile:
    """Return the rows of a netlist, marked by what an earlier run said of it."""
    if not checked.conditions:
        return checked  # it could not be audited
    past = baseline.of(checked.file)
    if past is None:
        rows = [replace(row, change="new") for row in checked.rows]
        return replace(checked, rows=(_note(f"{baseline.name} has no such netlist"), *rows))
    if set(past.conditions) != set(checked.conditions):
        return replace(checked, rows=(_other_conditions(past, checked, baseline), *checked.rows))
    rows = [_compared(row, past) for row in checked.rows]
    first = []
    if past.engine and past.engine != checked.engine:
        first = [_note(f"the baseline was solved with {past.engine}, this with {checked.engine}")]
    return replace(checked, rows=(*first, *rows, *_gone(checked, past)))


def compare_files(files: Sequence[str], baseline: Baseline) -> tuple[CheckRow, ...]:
    """Return a note for each netlist of the baseline that was not looked at."""
    looked = {id(baseline.of(name)) for name in files}
    return tuple(
        _note(f"{name} is in the baseline and was not looked at", name)
        for name, past in sorted(baseline.files.items())
        if id(past) not in looked
    )


def _compared(row: CheckRow, file: PastFile) -> CheckRow:
    past = file.rows.get(row.id)
    if past is None:
        return _new(row, file)
    change = _change(row, past)
    outcome = row.outcome
    if change == "worse" and outcome not in {"waived", "unanswered"}:
        outcome = "fail"
    elif outcome in _PROBLEMS:
        outcome = "known"
    rule = "baseline" if outcome in {"fail", "known"} else row.rule
    because = row.because
    if outcome == "fail":
        because = "what got worse than the baseline fails"
    elif outcome == "known":
        because = f"no worse than the baseline (else: {row.because})"
    before = _before(row, past)
    return replace(row, outcome=outcome, change=change, before=before, rule=rule, because=because)


def _new(row: CheckRow, file: PastFile) -> CheckRow:
    """Return a row that was not there: a new finding and a new victim are worse."""
    new = replace(row, change="new", before="not in the baseline")
    finding = row.family == "wiring" and row.outcome == "warn"
    victim = (
        row.tip is not None
        and row.tip.status in {"found", "already_over"}
        and any(name.startswith(f"tipping/{row.subject}") for name in file.rows)
    )
    if (finding or victim) and row.outcome != "waived":
        because = "what got worse than the baseline fails"
        return replace(new, outcome="fail", rule="baseline", because=because)
    return new


def _change(row: CheckRow, past: Past) -> Change:
    if row.tip is not None:
        return _tip_change(row, past)
    if row.family == "wiring":
        return "worse" if row.outcome == "fail" and past.outcome in {"warn", "note"} else "same"
    if row.verdict and past.verdict and row.verdict != past.verdict:
        graver = _gravity(row.verdict) < _gravity(past.verdict)
        if graver and (row.load is None or _up(row.load.ratio, past.ratio)):
            return "worse"
        if not graver and (row.load is None or _up(past.ratio, row.load.ratio)):
            return "better"
    if row.load is None:
        return "same"
    if _up(row.load.ratio, past.ratio) and row.load.ratio >= NOTEWORTHY:
        return "worse"
    return "better" if _up(past.ratio, row.load.ratio) else "same"


def _gravity(verdict: str) -> int:
    return next((place for known, place in GRAVITY.items() if known == verdict), len(GRAVITY))


def _up(ratio: float | None, before: float | None) -> bool:
    """Say whether a ratio exceeds another by more than the margin."""
    if ratio is None:
        return False
    if before is None:
        return True
    margin = RATIO_MARGIN * max(1.0, before)
    return ratio > before + margin and before < GROSS_RATIO


def _tip_change(row: CheckRow, past: Past) -> Change:
    tip = row.tip
    assert tip is not None
    now, then = _NEARNESS.get(tip.status, 3), _NEARNESS.get(past.tip_status, 3)
    if now != then:
        return "worse" if now < then else "better"
    if tip.value is None or past.tip_value is None:
        return "same"
    nearer = tip.value - past.tip_value
    if tip.direction == "above":
        nearer = -nearer
    margin = TIPPING_MARGIN * abs(past.tip_value)
    if abs(nearer) <= margin:
        return "same"
    return "worse" if nearer > 0 else "better"


def _before(row: CheckRow, past: Past) -> str:
    """Return in words what a row was before."""
    if row.tip is not None:
        if past.tip_value is None:
            return past.tip_status.replace("_", " ")
        return size(past.tip_value, row.tip.unit)
    words = [past.verdict.replace("_", " ")] if past.verdict else []
    if past.ratio is not None:
        words.append(f"{ratio_words(past.ratio)} times the limit")
    return ", ".join(words) or past.outcome


def _gone(checked: CheckedFile, past: PastFile) -> Iterator[CheckRow]:
    """Give a note for what was wrong before and is not there any more."""
    now = {row.id for row in checked.rows}
    for row_id, one in past.rows.items():
        wrong = one.outcome in {*_PROBLEMS, "known"} or one.tip_status in {"found", "already_over"}
        if row_id not in now and (wrong or one.verdict == "over_limit"):
            yield CheckRow(
                f"gone/{row_id}",
                "netlist",
                "note",
                row_id,
                f"{row_id} is in the baseline and not here any more",
                "baseline",
                change="gone",
            )


def _note(message: str, subject: str = "baseline") -> CheckRow:
    return CheckRow(f"baseline/{subject}", "netlist", "note", subject, message, "baseline")


def _other_conditions(past: PastFile, checked: CheckedFile, baseline: Baseline) -> CheckRow:
    return CheckRow(
        "baseline/conditions",
        "netlist",
        "unanswered",
        "baseline",
        f"{baseline.name} was solved at {', '.join(past.conditions)}; this at "
        f"{', '.join(checked.conditions)}",
        "baseline",
        "runs under other conditions cannot be compared",
        hint="make the baseline anew with the same policy",
    )


_REMAKE = "make one with `netcheck gate ... --format json --output FILE`"


def read_baseline(file: Path) -> Baseline:
    """Read the report of an earlier run."""
    try:
        loaded = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise NetcheckError(f"cannot read the baseline {file.name}: {error.strerror}") from error
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise NetcheckError(f"the baseline {file.name} is not JSON", hint=_REMAKE) from error
    try:
        if isinstance(loaded, dict) and loaded.get("command") in {"gate", "audit"}:
            files = {one["file"]: _checked(one) for one in loaded["files"]}
        elif isinstance(loaded, dict) and "circuit" in loaded:
            files = {loaded["circuit"]["file"]: _audited(loaded)}
        else:
            raise KeyError("files")
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise NetcheckError(
            f"the baseline {file.name} is no report of netcheck", hint=_REMAKE
        ) from error
    return Baseline(file.name, files)


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _checked(file: dict[str, Any]) -> PastFile:
    """Read one netlist of a gate's report."""
    rows = {}
    for row in file["rows"]:
        load, tip = row.get("load") or {}, row.get("tipping_point") or {}
        rows[str(row["id"])] = Past(
            row["outcome"],
            row.get("verdict") or "",
            _number(load.get("ratio")),
            _number(tip.get("value")),
            tip.get("status", ""),
        )
    return PastFile(tuple(file["conditions"]), file["engine"], rows)


def _audited(audit: dict[str, Any]) -> PastFile:
    """Read the report of one audit; ids are made as the gate makes them."""
    rows = _healthy(audit["healthy"])
    for fault in audit["faults"]:
        worst = fault["worst"] or {}
        rows[f"fault/{fault['id']}"] = Past("", fault["verdict"], _number(worst.get("ratio")))
    for point in audit["tipping_points"]:
        victim = f"/{point['victim']}/{point['quantity']}" if point["victim"] else ""
        value = _number(point["value"])
        rows[f"tipping/{point['fault_id']}{victim}"] = Past(
            tip_value=value, tip_status=point["status"]
        )
    seen: Counter[str] = Counter()
    for finding in audit["findings"]:
        base = f"wiring/{finding['rule']}/{finding['part'] or ''}".rstrip("/")
        seen[base] += 1
        number = f"/{seen[base]}" if seen[base] > 1 else ""
        rows[f"{base}{number}"] = Past(OUTCOMES[finding["level"]])
    return PastFile(tuple(audit["healthy"]["conditions"]), audit.get("engine") or "", rows)


def _healthy(healthy: dict[str, Any]) -> dict[str, Past]:
    ratios: dict[str, float] = {}
    full = healthy["conditions"].get(FULL) or {}
    full_v = _number(full.get("input_v")) or 0.0

    def keep(group: str, row: dict[str, Any]) -> None:
        key = f"healthy/{group}/{row['part']}/{row['quantity']}"
        ratio = _number(row["ratio"])
        if ratio is not None:
            ratios[key] = max(ratio, ratios.get(key, ratio))

    for row in healthy.get("stresses", []):
        name = row["condition"]
        keep(kind_beyond_use(name), row)
    for row in healthy["worst_drive"]:
        if 0.0 < (_number(row["input_v"]) or 0.0) <= full_v:
            keep(DRIVEN, row)
    return {key: Past("", ratio_verdict(ratio), ratio) for key, ratio in ratios.items()}
