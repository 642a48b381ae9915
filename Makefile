# Each target makes its own virtual environment in .venv when there is none, and brings it up to
# date when pyproject.toml has changed. On Windows, see README.md for the same in plain commands.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check
RUN := $(VENV)/.evenstroke-installed
DEV := $(VENV)/.evenstroke-dev-installed

.PHONY: help demo test lint bench soak fuzz firmware fuzz-firmware screens readme-picture

help:
	@echo "make demo    crank a simulated engine, judge it, write a report (into demo-output)"
	@echo "make test    run the tests"
	@echo "make lint    check style, types and which package imports which"
	@echo "make bench   measure speed"
	@echo "make firmware  build the board's firmware (needs gcc-avr and avr-libc), one file for each speed of the line"
	@echo "make fuzz-firmware  search for what breaks the firmware's core (needs clang), and compare it with Python at length"
	@echo "make screens  every view of the window in every state, as pictures (into screens)"
	@echo "make readme-picture  the picture of README.md, anew (look at it, and at the words under it)"
	@echo "make fuzz    give the tests that draw their input many more, new, examples"
	@echo "make soak    long runs: recordings killed and cables pulled at random, an hour's memory"

demo: $(RUN)
	$(BIN)/evenstroke demo

test: $(DEV)
	$(BIN)/pytest --numprocesses auto --dist loadgroup

lint: $(DEV)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(DEV)
	@for script in tests/bench/*.py; do \
		[ -e "$$script" ] || { echo "there is nothing to measure in tests/bench"; exit 1; }; \
		echo "== $$script"; $(BIN)/python "$$script" || exit 1; \
	done

firmware:
	$(MAKE) -C firmware_protocol/firmware

fuzz-firmware: $(DEV)
	$(MAKE) -C firmware_protocol/firmware fuzz
	$(BIN)/python tests/bench/bench_agreement.py --corpus firmware_protocol/firmware/build/corpus

screens: $(DEV)
	$(BIN)/python tests/viewer/screens.py screens

readme-picture: $(DEV)
	$(BIN)/python tests/viewer/readme_picture.py

fuzz: $(DEV)
	$(BIN)/pytest -m hypothesis --hypothesis-profile=search

soak: $(DEV)
	$(BIN)/python tests/soak/killed_recorder.py --times 200
	$(BIN)/python tests/soak/memory_hour.py
	$(BIN)/python tests/soak/viewer_memory.py
	$(BIN)/python tests/soak/unplug.py --times 50

$(RUN): pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "evenstroke needs Python 3.11 or later: make PYTHON=python3.12 ..."; exit 1; }
	@# An environment that was half made, or whose Python has gone, is made anew.
	@$(BIN)/python -c 'import pip' 2>/dev/null || \
		{ echo "Making a virtual environment in $(VENV)"; $(PYTHON) -m venv --clear $(VENV); } || \
		{ echo "Python cannot make one here; on Debian: apt-get install python3-venv"; exit 1; }
	@echo "Installing evenstroke and what it needs into $(VENV); the first time this takes a minute or two"
	$(PIP) install --quiet --editable .
	@touch $@

$(DEV): $(RUN)
	@echo "Installing what the tests and checks need into $(VENV)"
	$(PIP) install --quiet --editable '.[dev]'
	@touch $@
