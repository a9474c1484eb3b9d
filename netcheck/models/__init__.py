"""What a command found, as frozen values; nothing here writes, recognises or solves.

`audit.py`, `sweep.py`, `comparison.py`, `checks.py`, `sheet.py` and `diagnosis.py` hold the
results that writers are given; `facts.py` and `view.py` are what every writer works out of
an audit in the same way, and which of its faults are shown.
"""
