# make demo    fresh machine to the finished demo          make bench      figures on accuracy and speed
# make test    fresh machine to green tests                make notebooks  run the notebooks, keep pages of them
# Another interpreter: make demo PYTHON=/path/to/python3.12
SHELL := /bin/sh
VENV ?= .venv
PYTHON ?= $(shell for p in python3 python3.14 python3.13 python3.12 python3.11; do \
	$$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && { echo $$p; break; }; done)
BIN := $(VENV)/bin
NEEDS := pyproject.toml constraints.txt
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt
# One process for each core; a file of tests stays in one of them. For a debugger: make test PYTEST_ARGS=
PYTEST_ARGS ?= -n auto --dist loadfile
BENCHMARKS = $(patsubst tests/bench/%.py,%,$(shell grep -l __main__ tests/bench/*.py))

.PHONY: demo test bench notebooks clean
.DELETE_ON_ERROR:

demo: $(VENV)/core.stamp
	$(BIN)/hemoidx demo --out demo

test: $(VENV)/test.stamp
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest $(PYTEST_ARGS)

bench: $(VENV)/test.stamp
	@for name in $(BENCHMARKS); do echo "== $$name"; $(BIN)/python -m tests.bench.$$name || exit 1; done

notebooks: $(VENV)/test.stamp $(VENV)/notebooks.stamp
	cd notebooks && $(abspath $(BIN))/python -m jupyter nbconvert --to html --execute \
		--KernelManager.transport=ipc --output-dir ../build/notebooks *.ipynb
	@echo "Pages are in build/notebooks. To work in them: $(BIN)/jupyter lab notebooks"

clean:
	rm -rf $(VENV) build dist demo .pytest_cache .mypy_cache .ruff_cache .hypothesis

$(VENV)/bin/python:
	@test -n "$(PYTHON)" || { echo "hemoidx needs Python 3.11 or newer and found none; name one: make $(MAKECMDGOALS) PYTHON=/path/to/python3.12" >&2; exit 1; }
	@"$(PYTHON)" -c 'import sys; v = sys.version_info; v >= (3, 11) or sys.exit("hemoidx needs Python 3.11 or newer, and $(PYTHON) is %d.%d; name another: make $(MAKECMDGOALS) PYTHON=/path/to/python3.12" % v[:2])'
	@"$(PYTHON)" -c 'import ensurepip, venv' 2>/dev/null || { echo "$(PYTHON) cannot make virtual environments; on Debian and Ubuntu: apt-get install python3-venv" >&2; exit 1; }
	"$(PYTHON)" -m venv $(VENV)

# A stamp says that this set of packages is installed; it is out of date when what it was made from changes.
$(VENV)/core.stamp: $(NEEDS) | $(VENV)/bin/python
	@echo "Installing hemoidx and what it needs into $(VENV); a minute or two."
	$(PIP) -e .
	@touch $@

$(VENV)/test.stamp: $(NEEDS) | $(VENV)/bin/python
	@echo "Installing hemoidx and its test tools into $(VENV); a minute or two."
	$(PIP) -e ".[test]"
	@touch $@ $(VENV)/core.stamp

$(VENV)/notebooks.stamp: $(NEEDS) | $(VENV)/bin/python
	$(PIP) -e ".[notebooks]"
	@touch $@
