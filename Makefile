# Shimwise: set up, run, test, measure. Needs Python 3.11 or newer and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
# The interpreter's own pip sets the environment up, which takes 5 s less than a copy in it (pip 22.3 or newer can).
PIP = $(shell test -x $(BIN)/pip && echo $(BIN)/python -m pip || echo $(PYTHON) -m pip --python $(BIN)/python)
# Modules are compiled when first used: a smaller install, made sooner.
INSTALL = $(PIP) install --quiet --disable-pip-version-check --no-compile
# Tests start hundreds of processes: whatever the environment says, Python keeps what it compiled.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: run setup setup-dev test pytest quick coverage oldest check format count docs bench readme lock vendor clean

# The main job on the base install; `make setup` adds measuring from frames and PostgreSQL.
run: $(VENV)/.runtime
	$(BIN)/shimwise demo
	$(BIN)/shimwise serve --demo --end-without-terminal

setup: $(VENV)/.extras

setup-dev: $(VENV)/.dev

$(VENV)/bin/python:
	$(PYTHON) -m venv $$($(PYTHON) -m pip --python "$$(command -v $(PYTHON))" --version >/dev/null 2>&1 && echo --without-pip) $(VENV)

$(VENV)/.runtime: requirements/runtime.txt pyproject.toml src/shimwise/__init__.py | $(VENV)/bin/python
	$(INSTALL) --require-hashes -r requirements/runtime.txt
	$(INSTALL) --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/.extras: requirements/extras.txt $(VENV)/.runtime
	$(INSTALL) --require-hashes -r requirements/extras.txt
	@touch $@

$(VENV)/.dev: requirements/dev.txt $(VENV)/.runtime
	$(INSTALL) --require-hashes -r requirements/dev.txt
	$(BIN)/python -m compileall -q -j 0 $(VENV)/lib || true  # tests start hundreds of processes
	@touch $@

check: setup-dev
	$(BIN)/ruff format --check src tests benchmarks docs tools
	$(BIN)/ruff check src tests benchmarks docs tools
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

# What checks and what tests run side by side: the checks keep one core busy for most of a minute.
test: setup-dev
	@$(MAKE) --no-print-directory -j 2 check pytest

pytest:
	$(BIN)/pytest

# All tests with what they cover: more than twice as long.
coverage: setup-dev
	$(BIN)/pytest --cov=shimwise --cov-report=term:skip-covered

# While one works: the unit tests that are not marked slow, without a database server: a minute of two cores.
quick: setup-dev
	$(BIN)/pytest tests/unit -m "not slow and not postgresql"

# The oldest versions of the dependencies that pyproject.toml allows, in an environment of their own. Beside
# today's versions of what they need themselves, old libraries warn: there a warning is no error.
oldest:
	$(PYTHON) -m venv .venv-oldest
	.venv-oldest/bin/python -m pip install --quiet --disable-pip-version-check uv
	.venv-oldest/bin/uv pip install --quiet --python .venv-oldest/bin/python --resolution lowest-direct \
	  --editable '.[frames,postgresql,cluster]' -r requirements/oldest.in
	.venv-oldest/bin/python -m pytest tests/unit tests/integration -o filterwarnings=default

format: setup-dev
	$(BIN)/ruff format src tests benchmarks docs tools
	$(BIN)/ruff check --fix src tests benchmarks docs tools

count:
	$(PYTHON) tools/count_code.py src

docs:
	$(PYTHON) tools/reference.py src/shimwise build/docs

bench: setup-dev
	$(BIN)/python -m benchmarks
	$(BIN)/python -m benchmarks.imaging
	$(BIN)/python -m benchmarks.repairs
	$(BIN)/python -m benchmarks.history
	$(BIN)/python -m benchmarks.papers
	$(BIN)/python -m benchmarks.record
	$(BIN)/python -m benchmarks.web
	$(BIN)/python -m benchmarks.many_machines.cluster

readme: setup-dev
	$(BIN)/python docs/refresh.py
	$(BIN)/python docs/pages.py

lock: setup-dev
	$(PIP) install --quiet uv
	cd requirements && for part in runtime extras dev; do \
	  ../$(BIN)/uv pip compile --quiet --generate-hashes --no-emit-index-url --no-header -o $$part.txt $$part.in; done

vendor:
	cd vendor && npm ci --no-audit --no-fund --ignore-scripts
	cp vendor/node_modules/htmx.org/dist/htmx.min.js src/shimwise/web/static/vendor/
	cp vendor/node_modules/htmx.org/LICENSE src/shimwise/web/static/vendor/htmx-LICENSE.txt
	cp vendor/node_modules/@fontsource/b612/files/b612-latin-400-normal.woff2 \
	  vendor/node_modules/@fontsource/b612/files/b612-latin-700-normal.woff2 src/shimwise/web/static/vendor/
	cp vendor/node_modules/@fontsource/b612/LICENSE src/shimwise/web/static/vendor/OFL.txt
	rm -rf vendor/node_modules

clean:
	rm -rf $(VENV) .venv-oldest build src/*.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
