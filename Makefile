# Everything vatside needs is built into .venv; nothing is installed outside it.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo run test lint bench pictures clean

demo: .venv/.ready
	$(BIN)/vatside demo

run: .venv/.ready
	$(BIN)/vatside run

# Each worker begins with a part of its own, so that a fixture of a module is made once.
test: .venv/.ready-test
	$(BIN)/python -m pytest -n auto --dist worksteal

lint: .venv/.ready-test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: .venv/.ready-test
	$(BIN)/python -m pytest tests/bench --benchmark-only
	$(BIN)/python -m tests.bench.bench_store
	$(BIN)/python tests/bench/bench_ingest.py
	$(BIN)/python tests/bench/bench_conditions.py

pictures: .venv/.ready-test
	$(BIN)/python tests/browser/take_pictures.py

.venv/bin/pip:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "vatside needs Python 3.11 or newer; name one with: make PYTHON=python3.12 ..."; exit 1; }
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --upgrade pip

.venv/.ready: pyproject.toml | .venv/bin/pip
	$(BIN)/python -m pip install --quiet --editable .
	touch $@

.venv/.ready-test: pyproject.toml | .venv/bin/pip
	$(BIN)/python -m pip install --quiet --editable '.[test]'
	touch .venv/.ready $@

clean:
	rm -rf .venv
