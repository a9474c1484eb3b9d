"""An earlier JSON report, read as a baseline.

Comes in: the file of an earlier `netcheck gate --format json` or `netcheck audit
--format json`.  Goes out: a `Baseline`, with the ids that rows have today.  A file
that is neither is an error that says so.
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

from netcheck.errors import NetcheckError
from netcheck.gate.baseline import Baseline, Past, PastFile
from netcheck.judge.base import condition_kind
from netcheck.judge.verdict import ratio_verdict

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
    levels = {"error": "fail", "warning": "warn", "note": "note"}
    for finding in audit["findings"]:
        base = f"wiring/{finding['rule']}/{finding['part'] or ''}".rstrip("/")
        seen[base] += 1
        number = f"/{seen[base]}" if seen[base] > 1 else ""
        rows[f"{base}{number}"] = Past(levels[finding["level"]])
    return PastFile(tuple(audit["healthy"]["conditions"]), audit.get("engine") or "", rows)


def _healthy(healthy: dict[str, Any]) -> dict[str, Past]:
    ratios: dict[str, float] = {}
    full = healthy["conditions"].get("full") or {}
    full_v = _number(full.get("input_v")) or 0.0

    def keep(group: str, row: dict[str, Any]) -> None:
        key = f"healthy/{group}/{row['part']}/{row['quantity']}"
        ratio = _number(row["ratio"])
        if ratio is not None:
            ratios[key] = max(ratio, ratios.get(key, ratio))

    for row in healthy.get("stresses", []):
        name = row["condition"]
        keep("overdrive" if name == "overdrive" else condition_kind(name), row)
    for row in healthy["worst_drive"]:
        if 0.0 < (_number(row["input_v"]) or 0.0) <= full_v:
            keep("driven", row)
    return {key: Past("", ratio_verdict(ratio), ratio) for key, ratio in ratios.items()}
