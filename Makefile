# make run: the demo shop with its dashboard.  make test: the quick checks.  make test-all: the long ones too.  make bench: figures.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PORT ?= 8765
MINUTES ?= 15

.PHONY: run test test-all test-long test-fast lint bench screenshots clean

run: $(VENV)/.run-ready
	@$(BIN)/ductwarden demo --port $(PORT)

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit("ductwarden needs Python 3.11 or newer; found " + sys.version.split()[0]) if sys.version_info < (3, 11) else None'
	@echo "making the Python environment in $(VENV) (once, about a minute)"
	@$(PYTHON) -m venv $(VENV) || ($(PYTHON) -m pip install --user --quiet virtualenv && $(PYTHON) -m virtualenv $(VENV))

$(VENV)/.run-ready: pyproject.toml constraints.txt | $(VENV)/bin/python
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	@touch $@

$(VENV)/.test-ready: $(VENV)/.run-ready
	@echo "installing what the tests need (once)"
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile -c constraints.txt -e '.[test]'
	@sh tests/support/system_packages.sh
	@touch $@

test: $(VENV)/.test-ready
	$(BIN)/python -m pytest -q -n 2 --dist worksteal

test-all: lint
	$(BIN)/python -m pytest -q -n 2 --dist worksteal --long

# The long ones alone, begun within MINUTES
test-long: $(VENV)/.test-ready
	$(BIN)/python -m pytest -q -n 2 --dist worksteal --long -m long --for-minutes $(MINUTES)

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
