# Everything that is done with a checkout, by name. Needs python3 (3.11 or newer) with venv, and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
INPUTS := pyproject.toml constraints.txt
PIP_INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt

.DEFAULT_GOAL := help
.PHONY: help demo ward test lint docs bench fuzz setup-test constraints clean

help: ## show this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "make %-12s %s\n", $$1, $$2 }' Makefile

demo: $(VENV)/.installed ## set up, measure a film of our own making, show where the result lies
	$(BIN)/lipmark demo --out demo
	@echo "The picture and the JSON lie in $(CURDIR)/demo:" && ls -l demo

ward: $(VENV)/.installed ## the ward's service with invented films, one a minute; open the address it prints
	$(BIN)/lipmark ward --demo --data demo/ward --token demo

test: setup-test ## set up everything and run the tests
	$(BIN)/python -m pytest -n 2 $(PYTEST)

lint: $(VENV)/.installed-test ## style, types and the floors contract
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

docs: $(VENV)/.installed-test ## build the pages into build/site, strictly
	NO_MKDOCS_2_WARNING=1 $(BIN)/mkdocs build --quiet --strict
	@echo "The pages: $(CURDIR)/build/site/index.html"

bench: $(VENV)/.installed-test ## speed and memory, one at a time
	@for script in tests/benchmarks/bench_*.py; do echo "== $$script"; $(BIN)/python $$script || exit 1; done

fuzz: $(VENV)/.installed-test ## read 100,000 broken films; those that show a fault are kept in fuzz_found/
	$(BIN)/python tests/fuzz/films.py --count 100000 --seed $$(date +%s) --keep fuzz_found

setup-test: $(VENV)/.installed-test ## set up what the tests need: packages, validator, outside data
	bash tests/setup/system_packages.sh
	$(BIN)/python tests/setup/outside_data.py

constraints: ## pin the newest versions that pyproject.toml allows, in an environment of their own
	@folder=$$(mktemp -d) && trap 'rm -rf "$$folder"' EXIT && $(PYTHON) -m venv "$$folder" && \
	    "$$folder/bin/python" -m pip install --quiet --disable-pip-version-check -e '.[test]' && \
	    "$$folder/bin/python" -m pip check && \
	    "$$folder/bin/python" tests/setup/pins.py > "$$folder/pins" && cp "$$folder/pins" constraints.txt

clean: ## remove the environment, the demo and the fetched data
	rm -rf $(VENV) build demo example tests/outside/data

$(VENV)/.installed: $(BIN)/python $(INPUTS)
	@echo "Installing lipmark into $(VENV) ..."
	@$(PIP_INSTALL) -e '.[all]'
	@touch $@

$(VENV)/.installed-test: $(BIN)/python $(INPUTS)
	@echo "Installing lipmark and its test tools into $(VENV) ..."
	@$(PIP_INSTALL) -e '.[test]'
	@touch $@ $(VENV)/.installed

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	    { echo "Python 3.11 or newer needed, $$($(PYTHON) --version 2>&1) found; try make PYTHON=python3.12" >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)
