# The README's two commands.  Both install what they need on a fresh Debian machine.
PYTHON ?= python3
VENV := .venv
READY := $(VENV)/.ready
DEMO := circuits/6v6_single_ended.cir
INSTALL := DEBIAN_FRONTEND=noninteractive apt-get install -y -qq

.PHONY: demo test check gate browser clean

demo: $(READY)
	$(VENV)/bin/netcheck audit $(DEMO)

# The browser's tests run in a process of their own: beside a cluster's event loop they can hang.
test: $(READY) browser
	$(VENV)/bin/python -m pytest -q tests/page
	$(VENV)/bin/python -m pytest -q -n 2 --dist loadfile --ignore tests/page

# Formatting, linting, typing, import contracts, tests and the gate: what CI runs.
check: $(READY)
	$(VENV)/bin/ruff format --check netcheck tests
	$(VENV)/bin/ruff check netcheck tests
	$(VENV)/bin/mypy
	$(VENV)/bin/lint-imports
	$(MAKE) test
	$(MAKE) gate

# The repository's own circuits, held to the policy in pyproject.toml.
gate: $(READY)
	$(VENV)/bin/netcheck gate circuits

# The page of a report is tested in a browser; without one those tests are skipped.
browser:
	@command -v chromium >/dev/null \
	  || { apt-get update -qq && $(INSTALL) --no-install-recommends chromium >/dev/null; } \
	  || echo "no chromium: the tests of the page are skipped" >&2

# apt-get is asked only for what is missing; on another system the package manager's
# own names for the ngspice library and for venv are in the README.
$(READY): pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "Python 3.11 or later is needed; try: make PYTHON=python3.11 ..." >&2; exit 1; }
	@$(PYTHON) -c 'import ctypes.util, glob, os, sys; \
	  sys.exit(not (os.environ.get("NGSPICE_LIBRARY_PATH") or ctypes.util.find_library("ngspice") \
	  or glob.glob("/usr/lib/*/libngspice.so*") or glob.glob("/usr/lib/libngspice.so*")))' \
	  || { apt-get update -qq && $(INSTALL) libngspice0; } \
	  || { echo "install the ngspice shared library (libngspice0 on Debian), as root" >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip' 2>/dev/null \
	  || { apt-get update -qq && $(INSTALL) python3-venv; } \
	  || { echo "install python3-venv, as root" >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(VENV)/bin/python -m pip install -q --disable-pip-version-check -e '.[dev]'
	@touch $(READY)

clean:
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache
