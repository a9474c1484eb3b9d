# The README's two commands.  Both install what they need on a fresh Debian machine.
PYTHON ?= python3
VENV := .venv
READY := $(VENV)/.ready
DEMO := circuits/el34_pair_fixed_bias.cir

.PHONY: demo test check clean

demo: $(READY)
	$(VENV)/bin/netcheck audit $(DEMO)

test: $(READY)
	$(VENV)/bin/python -m pytest -q

# Formatting, linting, typing, import contracts and tests: what CI runs.
check: $(READY)
	$(VENV)/bin/ruff format --check netcheck tests
	$(VENV)/bin/ruff check netcheck tests
	$(VENV)/bin/mypy
	$(VENV)/bin/lint-imports
	$(MAKE) test

$(READY): pyproject.toml
	@$(PYTHON) -c 'import ctypes.util, glob, sys; sys.exit(0 if ctypes.util.find_library("ngspice") or glob.glob("/usr/lib/*/libngspice.so*") or glob.glob("/usr/lib/libngspice.so*") else 1)' \
	  || { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq libngspice0; }
	@$(PYTHON) -c 'import ensurepip' 2>/dev/null \
	  || { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq python3-venv; }
	$(PYTHON) -m venv $(VENV)
	$(VENV)/bin/python -m pip install -q -e '.[dev]'
	@touch $(READY)

clean:
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
