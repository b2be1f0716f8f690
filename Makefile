# Everything runs in .venv, made on first use. `make` alone explains itself.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
TEST_STAMP := $(VENV)/.installed-test
QUICK_STAMP := $(VENV)/.installed-quick

help:
	@echo "evenstring: what make can do"
	@echo
	@echo "  make demo      the whole chain on the virtual board: recording, report.html, report.json in out/demo"
	@echo "  make test      all tests (sets up .venv by itself)"
	@echo "  make test-quick  host and protocol in a minute: no browser, no 32-bit interpreter, no physics cells"
	@echo "  make coverage  all tests, with what they leave out"
	@echo "  make lowest    quick tests with the lowest versions of all dependencies that pyproject.toml allows"
	@echo "  make portable  without POSIX, from the wheel alone, wheels for other systems, and every Python that is here"
	@echo "  make sbom      what this environment is made of, as CycloneDX in out/sbom.json"
	@echo "  make lint      format check, lint, types, generated files"
	@echo "  make format    put the code into the house format"
	@echo "  make generate  write what follows from protocol/messages.toml"
	@echo "  make notes     fill the figures of hardware_notes and draw its circuits"
	@echo "  make bench     speed, as ratios against reference libraries in the same run"
	@echo "  make soak      the long runs, with their figures"
	@echo "  make gallery   pictures for the README, from invented packs (needs Chromium)"
	@echo "  make clean     remove .venv and out"
	@echo
	@echo "Python 3.11 or newer is all it needs: make PYTHON=python3.11 demo"

$(STAMP): pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "evenstring needs Python 3.11 or newer: make PYTHON=/path/to/python3.11 ..." >&2; exit 1; }
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install -q --disable-pip-version-check -e .
	@touch $@

$(QUICK_STAMP): pyproject.toml $(STAMP)
	$(BIN)/python -m pip install -q --disable-pip-version-check -e '.[quick]'
	@touch $@

$(TEST_STAMP): pyproject.toml $(STAMP)
	$(BIN)/python -m pip install -q --disable-pip-version-check -e '.[test,dev]'
	@# Stubs of the other board class have the same file names, so they live in a folder of their own.
	$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps --upgrade --target $(VENV)/stubs-esp32 'micropython-esp32-stubs>=1.29,<1.30'
	@touch $@

demo: $(STAMP)
	$(BIN)/evenstring demo -o out/demo --force
	@echo "To type evenstring by itself in this shell:  source $(BIN)/activate"

test: $(TEST_STAMP)
	$(BIN)/python -m pytest -n 2 -m "not soak"

QUICK := tests/host tests/protocol tests/hardware $(wildcard tests/test_*.py)

test-quick: $(QUICK_STAMP)
	$(BIN)/python -m pytest -n 2 -m "not (soak or slow or needs_test_extra)" $(QUICK)

lowest: $(TEST_STAMP)
	$(BIN)/uv venv -q --clear --python $(PYTHON) $(VENV)/lowest
	$(BIN)/uv pip install -q --python $(VENV)/lowest/bin/python --resolution lowest-direct -e '.[quick]'
	$(VENV)/lowest/bin/python -m pytest -n 2 -m "not (soak or slow or needs_test_extra)" $(QUICK)

PYTHONS := 3.11 3.12 3.13 3.14
PLATFORMS := aarch64-unknown-linux-gnu aarch64-apple-darwin x86_64-apple-darwin x86_64-pc-windows-msvc
EMPTY := $(VENV)/empty

# From Python 3.14 on there is no wheel of MicroPython yet, so no virtual board: what needs none is run.
NO_BOARD := tests/host --ignore=tests/host/board --ignore=tests/host/wire/test_console_text.py

# Wheels alone, so that what resolves also installs; nothing is built for a system that is not here.
portable: $(TEST_STAMP)
	$(BIN)/python -m pytest -q tests/host/cli/test_without_posix.py
	@for platform in $(PLATFORMS); do for version in 3.11 3.14; do \
		$(BIN)/uv pip compile -q --python-platform $$platform --python-version $$version --only-binary :all: \
			--extra paper --extra parquet --extra deploy pyproject.toml -o $(VENV)/wheels.txt || exit 1; \
		echo "$$platform, Python $$version: $$(grep -c == $(VENV)/wheels.txt) packages, all as wheels"; \
	done; done
	rm -rf $(EMPTY) $(EMPTY)-wheel
	$(BIN)/uv build -q --wheel -o $(EMPTY)-wheel
	$(BIN)/uv venv -q --python $(PYTHON) $(EMPTY)
	$(BIN)/uv pip install -q --python $(EMPTY)/bin/python $(EMPTY)-wheel/*.whl
	cd $(EMPTY) && bin/evenstring demo -o demo --force >/dev/null && bin/evenstring --version
	@for version in $(PYTHONS); do \
		$(BIN)/uv venv -q --clear --no-python-downloads --python $$version $(VENV)/other 2>/dev/null || { echo "Python $$version is not here: not tried"; continue; }; \
		$(BIN)/uv pip install -q --python $(VENV)/other/bin/python -e '.[quick]' || exit 1; \
		case $$version in 3.14) rooms="$(NO_BOARD)";; *) rooms="$(QUICK)";; esac; \
		$(VENV)/other/bin/python -m pytest -q -n 2 -m "not (soak or slow or needs_test_extra)" $$rooms || exit 1; \
	done

sbom: $(TEST_STAMP)
	$(BIN)/cyclonedx-py environment --pyproject pyproject.toml --of JSON -o out/sbom.json $(BIN)/python

coverage: $(TEST_STAMP)
	$(BIN)/python -m pytest -n 2 -m "not soak" --cov --cov-report=term:skip-covered

lint: $(TEST_STAMP)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/python -m mypy
	$(BIN)/lint-imports
	$(BIN)/python protocol/generate.py --check

format: $(TEST_STAMP)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

generate: $(STAMP)
	$(BIN)/python protocol/generate.py

notes: $(TEST_STAMP)
	$(BIN)/python hardware_notes/circuits/run.py --write >/dev/null
	cd hardware_notes && ../$(BIN)/python -m stress.run --write >/dev/null && ../$(BIN)/python -m schematic
	$(BIN)/python hardware_notes/drawings/draw.py
	$(BIN)/python hardware_notes/fill.py

bench: $(TEST_STAMP)
	$(BIN)/python -m tests.benchmarks

soak: $(TEST_STAMP)
	$(BIN)/python -m pip install -q --disable-pip-version-check -e '.[fuzz]'
	$(BIN)/python -m pytest -n 2 -m soak -s

gallery: $(TEST_STAMP)
	$(BIN)/python host/gallery/make_gallery.py

clean:
	rm -rf $(VENV) out

.PHONY: help demo test test-quick lowest portable sbom coverage lint format generate notes bench soak gallery clean
.DEFAULT_GOAL := help
