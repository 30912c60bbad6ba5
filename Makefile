# Two commands do everything on a fresh machine: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
LOWEST := .venv-lowest
BILL := .venv-bill

help:  ## list the commands
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*##/\t/'

$(VENV)/bin/python:
	$(PYTHON) -c 'import sys; sys.exit("Python 3.11 or newer is needed, this is " + sys.version.split()[0]) if sys.version_info < (3, 11) else None'
	$(PYTHON) -m venv $(VENV)

# exactly the versions that the tests passed with, every file held against its hash
define locked
	@$(BIN)/pip install --quiet $(2) --require-hashes --requirement .lock/$(1).txt || \
	  echo "The tested versions of .lock/$(1).txt cannot be had here: taking what pyproject.toml allows"
endef

$(VENV)/.installed: pyproject.toml .lock/run.txt | $(VENV)/bin/python
	# --no-compile: most of what is installed is never imported, so compiling all of it only costs time
	$(call locked,run,--no-compile)
	$(BIN)/pip install --quiet --no-compile --editable .
	@touch $@

$(VENV)/.installed-test: pyproject.toml .lock/test.txt | $(VENV)/bin/python
	$(call locked,test)
	$(BIN)/pip install --quiet --editable '.[test]'
	@touch $@ $(VENV)/.installed

demo: $(VENV)/.installed  ## run the whole job on the demo trial
	$(BIN)/counting demo demo_trial --replace

check: $(VENV)/.installed-test  ## lint and types
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/mypy

# compiled once for all processes that the tests start, also where Python is told to write no such files
test: check  ## lint, types and all tests
	$(BIN)/python -m compileall -q counting
	$(BIN)/pytest -n auto

format: $(VENV)/.installed-test  ## put the code in its usual form
	$(BIN)/ruff check --fix
	$(BIN)/ruff format

# the oldest versions that pyproject.toml allows; newer ones of what they bring along themselves may
# warn about them, which is no fault of ours
lowest: pyproject.toml  ## all quick tests on the oldest versions of the dependencies allowed
	rm -rf $(LOWEST)
	$(PYTHON) -m venv $(LOWEST)
	$(LOWEST)/bin/pip install --quiet uv
	$(LOWEST)/bin/uv pip install --quiet --python $(LOWEST)/bin/python --resolution lowest-direct --editable '.[test]'
	$(LOWEST)/bin/python -m pytest -n auto -m 'not slow' -W default -p no:cacheprovider

# where all tests pass in $(VENV), its versions are the tested ones; psutil differs by system
lock: pyproject.toml $(VENV)/.installed-test  ## write down the versions at hand, with hashes
	$(BIN)/pip install --quiet uv
	$(BIN)/pip freeze --exclude-editable | grep -v ' @ \|^psutil=' > $(VENV)/freeze.txt
	for of in run: 'test:--extra test'; do \
	  $(BIN)/uv pip compile --quiet pyproject.toml $${of#*:} --universal --python-version 3.11 \
	    --generate-hashes --no-header --no-annotate --constraint $(VENV)/freeze.txt \
	    --output-file .lock/$${of%%:*}.txt; done

bill: $(VENV)/.installed  ## bill of materials (CycloneDX): every library, version and license
	$(PYTHON) -m venv $(BILL)
	$(BILL)/bin/pip install --quiet cyclonedx-bom
	$(BILL)/bin/cyclonedx-py environment --gather-license-texts --pyproject pyproject.toml \
	  --output-reproducible --output-file bill.cdx.json $(BIN)/python
	$(BIN)/pip check

benchmark: $(VENV)/.installed-test  ## time and memory, as ratios in one run
	$(BIN)/python -m counting.bench

.PHONY: help demo check test format lowest lock bill benchmark
