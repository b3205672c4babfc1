# Everything a newcomer needs is `make demo` and `make test`; README.md says what they do.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test notebooks bench clean

demo: .venv/installed
	$(BIN)/rungwise audit data_demo/practice --quarter 2026Q3 --to out/demo_audit --overwrite

test: .venv/installed
	$(BIN)/python tests/run_all.py

notebooks: .venv/installed
	$(BIN)/python tests/run_notebooks.py

bench: .venv/installed
	$(BIN)/python benchmarks/run_all.py

.venv/installed: pyproject.toml constraints.txt
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet -c constraints.txt -e '.[dev]'
	touch $@

clean:
	rm -rf .venv out build dist
