# make run: the demo shop with its dashboard.  make test: the quick checks.  make test-all: the long ones too.  make bench: figures.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile
PORT ?= 8765
WORKERS ?= 3
MINUTES ?= 15

export PYTHONDONTWRITEBYTECODE :=

.PHONY: run test test-all test-long test-fast lint bench screenshots clean

run: $(VENV)/.run-ready
	@$(BIN)/ductwarden demo --port $(PORT)

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit("ductwarden needs Python 3.11 or newer; found " + sys.version.split()[0]) if sys.version_info < (3, 11) else None'
	@echo "making the Python environment in $(VENV) (once, about a minute)"
	@$(PYTHON) -m venv $(VENV) || ($(PYTHON) -m pip install --user --quiet virtualenv && $(PYTHON) -m virtualenv $(VENV))

$(VENV)/.run-ready: pyproject.toml constraints.txt | $(VENV)/bin/python
	@$(PIP) -c constraints.txt -e .
	@touch $@

# The pinned packages in two halves at once, one for each processor; then pip adds whatever is still missing while everything that
# the tests import is compiled, once and not by each of their workers.
$(VENV)/.test-ready: pyproject.toml constraints.txt | $(VENV)/bin/python
	@echo "installing the packages of the project and its tests (once)"
	@for half in 0 1; do awk "NR % 2 == $$half" constraints.txt > $(VENV)/half-$$half; $(PIP) --no-deps -r $(VENV)/half-$$half & done; wait
	@$(BIN)/python -m pytest -q --collect-only >$(VENV)/collected 2>&1 & $(PIP) -c constraints.txt -e '.[test]' && wait
	@sh tests/support/system_packages.sh
	@touch $(VENV)/.run-ready $@

# More workers than processors: what starts a daemon or a browser mostly waits.
test: $(VENV)/.test-ready
	$(BIN)/python -m pytest -q -n $(WORKERS) --dist worksteal

test-all: lint
	$(BIN)/python -m pytest -q -n $(WORKERS) --dist worksteal --long

# The long ones alone, begun within MINUTES
test-long: $(VENV)/.test-ready
	$(BIN)/python -m pytest -q -n $(WORKERS) --dist worksteal --long -m long --for-minutes $(MINUTES)

test-fast: $(VENV)/.test-ready
	$(BIN)/python -m pytest -q -m 'not slow'

lint: $(VENV)/.test-ready
	$(BIN)/ruff check .
	$(BIN)/mypy

bench: $(VENV)/.test-ready
	$(BIN)/python -m tests.bench
	for family in bench choose; do $(BIN)/python -m tests.ground.bench --family $$family --shops 32 --days 30 --know tour; done

screenshots: $(VENV)/.test-ready
	$(BIN)/python -m tests.browser.screenshots

clean:
	rm -rf $(VENV) build *.egg-info .mypy_cache .ruff_cache .pytest_cache
