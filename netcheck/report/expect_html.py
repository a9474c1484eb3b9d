"""The bench sheet as one HTML page to print: no script, nothing loaded from elsewhere.

Each line has an empty box for the reading.  A step is not torn from its heading, a row
not in two.  Black on white: a stop is bold, not only red.
"""

from __future__ import annotations

from html import escape

from netcheck.models.sheet import BenchSheet, SheetLine, SheetStep
from netcheck.report.escapes import one_line
from netcheck.report.expect_words import band_words, off_words, reading, stop_words

STYLE = """
@page { size: A4 landscape; margin: 12mm; }
body { font: 10pt/1.35 sans-serif; color: #000; background: #fff; margin: 1.5em auto;
  max-width: 96em; padding: 0 1em; }
h1 { font-size: 1.4em; margin: 0 0 .2em; }
h2 { font-size: 1.15em; margin: 1.4em 0 .3em; break-after: avoid; }
p { margin: .3em 0; }
.cautions { border: 2px solid #a00; padding: .4em 1em; }
.cautions h2 { margin-top: .2em; color: #a00; }
.source, .note, .off { color: #444; font-size: .88em; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th, td { border: 1px solid #888; padding: .25em .5em; text-align: left; vertical-align: top; }
th { background: #eee; }
td.number { white-space: nowrap; }
td.value { white-space: nowrap; font-weight: bold; text-align: right; }
td.band { white-space: nowrap; }
td.stop { font-weight: bold; color: #a00; }
td.stop span { font-weight: normal; color: #444; font-size: .88em; display: block; }
td.reading { min-width: 6em; }
td:last-child { min-width: 16em; }
@media print { body { margin: 0; max-width: none; padding: 0; } .scroll { overflow: visible; } }
""".strip()

HEAD = ("#", "measure", "red probe", "black probe", "expect", "band", "read", "stop",
        "a wrong value points to")  # fmt: skip


def render(sheet: BenchSheet) -> str:
    """Return the page."""
    steps = "\n".join(_step(number, step) for number, step in enumerate(sheet.steps, 1))
    cautions = "\n".join(
        f"<li>{_text(one.text)} <span class='source'>({_text(one.source)})</span></li>"
        for one in sheet.cautions
    )
    granted = "\n".join(f"<li>{_text(one)}</li>" for one in sheet.assumptions)
    title = _text(sheet.title or sheet.file)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Bench sheet: {title}</title>
<style>
{STYLE}
</style>
</head>
<body>
<h1>Bench sheet: {title}</h1>
<p>{_text(sheet.file)}. Meter: {_text(sheet.meter)}. Mains: {_text(sheet.mains)}.</p>
<section class="cautions">
<h2>Cautions first</h2>
<ul>
{cautions}
</ul>
</section>
{steps}
<h2>What this takes for granted</h2>
<ul class="source">
{granted}
</ul>
</body>
</html>
"""


def _step(number: int, step: SheetStep) -> str:
    heading = f"<h2>{number}. {_text(step.title)}</h2>"
    if step.missing:
        return f"{heading}\n<p>Nothing to expect here: {_text(step.missing)}.</p>"
    head = "".join(f'<th scope="col">{one}</th>' for one in HEAD)
    rows = "\n".join(_row(f"{number}.{place}", line) for place, line in enumerate(step.lines, 1))
    return (
        f"{heading}\n<p>{_text(step.lead)}</p>\n<div class='scroll'><table>\n"
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table></div>"
    )


def _row(number: str, line: SheetLine) -> str:
    note = f"<div class='note'>{_text(line.note)}</div>" if line.note else ""
    why = f"<span>{_text(line.stop.why)}</span>" if line.stop else ""
    off = "".join(f"<div class='off'>{_text(one)}</div>" for one in off_words(line))
    return (
        f"<tr><td class='number'>{number}</td><td>{_text(line.what)}{note}</td>"
        f"<td>{_text(line.red)}</td><td>{_text(line.black)}</td>"
        f"<td class='value'>{_text(reading(line.nominal, line.unit))}</td>"
        f"<td class='band'>{_text(band_words(line))}</td><td class='reading'></td>"
        f"<td class='stop'>{_text(stop_words(line))}{why}</td><td>{off}</td></tr>"
    )


def _text(text: str) -> str:
    return escape(one_line(text))
