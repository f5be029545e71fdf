# Shortcuts for contributors; the README's commands do the same without make.
PYTHON ?= python3

.PHONY: demo test lint bench

demo:
	$(PYTHON) -m venv .venv && .venv/bin/pip install -q -c constraints.txt . && .venv/bin/reconcile demo

test:
	$(PYTHON) -m venv .venv && .venv/bin/pip install -q -c constraints.txt -e '.[dev]' && .venv/bin/pytest -q -n 2 --dist loadfile

lint:
	.venv/bin/ruff check . && .venv/bin/ruff format --check . && .venv/bin/mypy

bench:
	.venv/bin/pytest -q -m benchmark tests/benchmarks
