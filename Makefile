# `make demo` is the quickest look; `make test` runs every check. Needs Python 3.11 or later, and no Node.js.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
CHART := daq/_built/uplot/uPlot.iife.min.js
# Build requirements obey the constraints too; older and newer pip read different variables. The path is relative
# because pip splits these at spaces.
PIP_INSTALL := PIP_CONSTRAINT=constraints.txt PIP_BUILD_CONSTRAINT=constraints.txt PIP_DISABLE_PIP_VERSION_CHECK=1 \
	$(BIN)/python -m pip install --quiet -c constraints.txt
TESTS ?= tests
PYTEST = $(BIN)/python -m pytest
# A module's tests stay together: what they share is made once.
PARALLEL = --numprocesses auto --dist loadfile
NONE_MATCHED = [ $$? -eq 5 ]
# Two workers on two cores, or a machine that others share, starve a test now and then: what failed runs once more,
# by itself, with its first failure printed above. What fails again, fails.
once_more = case $$? in 5) ;; 1) $(PYTEST) --last-failed --last-failed-no-failures none -m '$(1)' $(TESTS) ;; *) exit 1 ;; esac
DEMO ?=
TORTURE ?=
PICTURES ?=

.DEFAULT_GOAL := help
.PHONY: help setup demo test quick coverage pictures docs check format speed torture clean

help: ## This list
	@awk -F ':.*## ' '/^[a-z]+:.*## / {printf "  make %-8s %s\n", $$1, $$2}' Makefile

setup: $(STAMP) $(CHART) ## Make .venv and install lyewatch in it, editable, with what tests and checks need

$(STAMP): pyproject.toml constraints.txt hatch_build.py
	@PYTHON="$(PYTHON)" sh tests/set_up.sh $(VENV)
	$(PIP_INSTALL) --editable '.[test,dev]'
	@touch $@

# Only when someone has removed it: installing is what brings it.
$(CHART): | $(STAMP)
	$(PIP_INSTALL) --no-deps --editable .

demo: setup ## The whole job on a virtual bench; flags: make demo DEMO='--for 30s --no-browser'
	$(BIN)/lyewatch demo $(DEMO)

test: setup check ## Every check and every test; as root it installs the system packages that tests need
	@bash tests/install_servers.sh
	$(PYTEST) $(PARALLEL) --cache-clear --durations=15 -m 'not alone' $(TESTS) || $(call once_more,not alone)
	$(PYTEST) --cache-clear --durations=15 -m alone $(TESTS) || $(call once_more,alone)

quick: setup ## Unit tests alone, in parallel: no browser, no server, nothing slow
	$(PYTEST) $(PARALLEL) -q -m 'not (alone or browser or server or slow)' $(TESTS)

coverage: setup ## Which lines of daq the tests run, child processes included; build/coverage has the pages
	@bash tests/install_servers.sh
	$(PYTEST) $(PARALLEL) --cov -m 'not alone' $(TESTS) || $(NONE_MATCHED)
	$(PYTEST) --cov --cov-append --cov-report=term --cov-report=html -m alone $(TESTS) || $(NONE_MATCHED)

pictures: setup ## Every page and report as pictures in build/pictures: widths, light, dark, forced colours, zoom
	@bash tests/install_servers.sh
	$(BIN)/python -m tests.pages.every_page build/pictures $(PICTURES)
	$(BIN)/python -m tests.pages.states build/pictures/live

docs: setup ## The documentation as a site, with the reference made of the docstrings, in build/docs/html
	$(BIN)/sphinx-build -q -W --keep-going -d build/docs/doctrees docs build/docs/html

check: setup ## Format, lint, strict types and unused code
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/vulture daq docker hatch_build.py
	$(BIN)/vulture daq docker tests hatch_build.py

format: setup ## Put the code in its one format, and mend what the linter can
	$(BIN)/ruff check --fix-only --quiet .
	$(BIN)/ruff format .

speed: setup ## Benchmarks: each prints a ratio against a peer measured in the same run
	$(BIN)/python -m pytest -s -o python_files='speed_*.py' -o timeout=900 tests/speed

torture: setup ## Faults, kills and power cuts, an hour of them as root; writes the tables of docs/reliability.md
	@bash tests/install_servers.sh
	$(BIN)/python -m tests.torture $(TORTURE)

clean: ## Remove what was built, and .venv; recordings are left alone
	rm -rf $(VENV) build dist daq/_built .mypy_cache .ruff_cache .hypothesis .coverage*
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
