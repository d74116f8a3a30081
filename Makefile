# Everything works on a fresh clone with Python 3.11 or newer, pip and make.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: setup demo test check torture lock clean

setup: ## make the environment in .venv
	@$(PYTHON) setup_env.py

demo: ## make an example book, analyse it, publish it, say where the report is
	@$(PYTHON) setup_env.py demo

test: ## all tests
	@$(PYTHON) setup_env.py test

check: setup ## lint, format, types, direction of imports
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

torture: setup ## the long torture (hours): damaged inputs, kills, full disks, a soak
	$(BIN)/python -m torture

lock: ## write requirements.lock anew (needs the uv command)
	uv pip compile --universal --generate-hashes --no-header --python-version 3.11 \
	  --extra dev --extra cluster pyproject.toml -o requirements.lock

clean: ## delete what can be made again
	rm -rf .venv demo-book torture-results .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
