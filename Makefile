# Habits of the house. `make help` lists the targets.
.PHONY: help demo test long soak night bench speed lint check picture lock matrix docs truth

help: ## list the targets
	@grep -E '^[a-z]+:.*##' Makefile | sed 's/:.*## /	/'

demo: ## the live screen on the simulated analyzer
	./start

test: ## the tests
	./start test

long: ## the long Monte Carlo runs (minutes)
	.venv/bin/python -m pytest -n 2 -m long --timeout 3000

soak: ## 24 simulated hours of sweeps with faults at random (about ten minutes)
	.venv/bin/python -m pytest -n 0 -s -m long tests/visit/test_soak.py --timeout 3000

night: ## 10,000 steps of the whole program against a model of its visit file (DEEPNOTCH_STEPS=500 for a short one)
	.venv/bin/python -m pytest -n 0 -s -m long tests/tui/test_whole_visit.py

bench: ## measure speed, as ratios against a reference in the same run
	.venv/bin/python -m pytest tests/benchmarks --benchmark-only -n 0

speed: ## measure all that docs/speed.md says and of the line (quiet machine, ten minutes)
	.venv/bin/python scripts/speed_table.py
	.venv/bin/python -m pytest tests/benchmarks --benchmark-only -n 0 -q -s

lint: ## style, types, import rules
	.venv/bin/ruff check . && .venv/bin/ruff format --check . && .venv/bin/mypy && .venv/bin/lint-imports

truth: ## every figure against the independent bench, docs/truth.md (half an hour on two cores; goes on where it stopped)
	.venv/bin/python scripts/truth_grid.py run
	.venv/bin/python scripts/truth_grid.py probes
	.venv/bin/python scripts/truth_grid.py table build/truth.jsonl build/truth-probes.jsonl

matrix: ## the tests on every Python from 3.11 to 3.13 that this machine has
	.venv/bin/python scripts/matrix.py

lock: ## resolve the newest libraries that pyproject.toml admits and write locks/
	.venv/bin/python scripts/lock.py

check: ## all that CI runs
	bash .ci/run

docs: ## write the pages that are made of the program: commands, glossary
	.venv/bin/python scripts/pages.py

picture: ## draw the README's picture of the screen again
	.venv/bin/python scripts/picture.py
