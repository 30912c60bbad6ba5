# Two commands do everything on a fresh machine: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
LOWEST := .venv-lowest

help:  ## list the commands
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*##/\t/'

$(VENV)/bin/python:
	$(PYTHON) -c 'import sys; sys.exit("Python 3.11 or newer is needed, this is " + sys.version.split()[0]) if sys.version_info < (3, 11) else None'
	$(PYTHON) -m venv $(VENV)

# OpenCV's usual wheel needs the system's libGL; a bare server or container lacks it
define mend-opencv
	@BIN=$(or $(1),$(BIN)); $$BIN/python -c 'import cv2' 2>/dev/null || { \
	  echo "OpenCV cannot load the system's libGL: using opencv-python-headless, the same module without windows"; \
	  version=$$($$BIN/pip show opencv-python | sed -n 's/^Version: //p'); \
	  $$BIN/pip uninstall --quiet --yes opencv-python; \
	  $$BIN/pip install --quiet --force-reinstall --no-deps opencv-python-headless==$$version; \
	  $$BIN/python -c 'import cv2'; }
endef

$(VENV)/.installed: pyproject.toml | $(VENV)/bin/python
	# --no-compile: most of what is installed is never imported, so compiling all of it only costs time
	$(BIN)/pip install --quiet --no-compile --editable .
	$(mend-opencv)
	@touch $@

$(VENV)/.installed-test: pyproject.toml | $(VENV)/bin/python
	$(BIN)/pip install --quiet --editable '.[test]'
	$(mend-opencv)
	@touch $@ $(VENV)/.installed

demo: $(VENV)/.installed  ## run the whole job on the demo trial
	$(BIN)/counting demo demo_trial --replace

check: $(VENV)/.installed-test  ## lint and types
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/mypy

test: check  ## lint, types and all tests
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
	$(call mend-opencv,$(LOWEST)/bin)
	$(LOWEST)/bin/python -m pytest -n auto -m 'not slow' -W default -p no:cacheprovider

benchmark: $(VENV)/.installed-test  ## time and memory, as ratios in one run
	$(BIN)/python -m counting.bench

.PHONY: help demo check test format lowest benchmark
