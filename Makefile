# apertrue: `make demo` shows it at work, `make test` proves it. `make help` lists the rest.
#
# Needs Python 3.11 or newer with pip, make and git. Everything is installed into .venv (VENV=… for another place).

PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
CORES ?= 2
# For `make bundle`: here, linux, windows or mac; optional parts with commas; the version of Python over there.
PLATFORM ?= here
EXTRAS ?= napari
FOR_PYTHON ?=

.PHONY: help demo demo-archive test test-pyqt6 lowest lint format bench checks docs bundle clean
.DEFAULT_GOAL := help

help:
	@echo "make demo    install the core, judge sample_images/, write report/ and say where it is"
	@echo "make test    install everything and run all tests (as root also Xvfb and Chromium for window and browser tests)"
	@echo "make test-pyqt6  the window's tests with the other Qt binding"
	@echo "make lowest  the tests with the lowest allowed version of each dependency (TESTS=tests/readers for some)"
	@echo "make lint    ruff and mypy over the whole tree"
	@echo "make format  let ruff format the tree"
	@echo "make demo-archive  make up half a year of sessions, audit it and say where the report is"
	@echo "make bench   benchmarks, quick versions (FULL=1 for the full ones)"
	@echo "make checks  the outside checks, and their table in docs/checks.md"
	@echo "make docs    the documentation as a web site in site/"
	@echo "make bundle  apertrue and all it needs for a machine without a network, in bundle/ (PLATFORM=windows FOR_PYTHON=3.12 EXTRAS=)"
	@echo "make clean   remove what these made"

demo: $(VENV)/.core
	@$(BIN)/python tools/demo.py

demo-archive: $(VENV)/.core
	@mkdir -p report
	@$(BIN)/python benchmarks/audit_archive.py report/archive

test: $(VENV)/.test
	@tools/run-tests $(BIN) $(CORES) $(TESTS)

test-pyqt6: $(VENV)/.test
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check "PyQt6>=6.7"
	@QT_API=pyqt6 tools/run-tests $(BIN) $(CORES) tests/window

# What a dependency's old version warns of is no fault of ours.
lowest: $(VENV)/.made
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --group bundle
	@$(BIN)/python -m uv venv --quiet --clear --python "$$($(BIN)/python -c 'import sys; print(sys.executable)')" .lowest
	@$(BIN)/python -m uv pip install --quiet --python .lowest --resolution lowest-direct \
	  --only-binary :all: --no-binary apertrue -e ".[all]"
	@$(BIN)/python -m uv pip install --quiet --python .lowest --group test
	@tools/run-tests .lowest/bin $(CORES) -q -W ignore::DeprecationWarning -m "not browser" --ignore tests/architecture $(TESTS)

lint: $(VENV)/.lint
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

format: $(VENV)/.lint
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

bench: $(VENV)/.bench
	@for script in $$(grep -l __main__ benchmarks/*.py); do \
	  echo "== $$script"; $(BIN)/python $$script $(if $(FULL),,--quick) || exit 1; \
	done

checks: $(VENV)/.test
	APERTRUE_CHECKS_TABLE=docs/checks.md OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pytest tests/outside -q

docs: $(VENV)/.docs
	$(BIN)/python tools/make_reference.py
	$(BIN)/mkdocs build --strict

bundle: $(VENV)/.made
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --group bundle
	@$(BIN)/python tools/bundle.py --platform $(PLATFORM) --extras "$(EXTRAS)" $(if $(FOR_PYTHON),--python $(FOR_PYTHON))

clean:
	rm -rf $(VENV) .lowest build dist site report bundle .mypy_cache .ruff_cache .pytest_cache .hypothesis mutants .coverage

# Stamps: what is installed is installed again only when pyproject.toml changed.
$(VENV)/.made:
	@tools/make-venv $(PYTHON) $(VENV)
	@touch $@

$(VENV)/.core: $(VENV)/.made pyproject.toml
	@echo "Installing apertrue into $(VENV) …"
	@tools/install $(BIN) -e .
	@touch $@

$(VENV)/.test: $(VENV)/.made pyproject.toml
	@echo "Installing apertrue with all extras and the test tools into $(VENV) …"
	@tools/install $(BIN) -e ".[all]" --group test --group lint
	@touch $@ $(VENV)/.core $(VENV)/.lint

$(VENV)/.lint: $(VENV)/.made pyproject.toml
	@tools/install $(BIN) -e . --group lint
	@touch $@ $(VENV)/.core

$(VENV)/.bench: $(VENV)/.made pyproject.toml
	@tools/install $(BIN) -e . --group bench
	@touch $@ $(VENV)/.core

$(VENV)/.docs: $(VENV)/.made pyproject.toml
	@tools/install $(BIN) -e . --group docs
	@touch $@ $(VENV)/.core
