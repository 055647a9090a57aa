# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
#
# `make demo` sets up .venv with what runs, `make` alone and `make test` with what tests need as well.
# With a ROS 2 sourced that has rclpy, .venv stands on it and takes its versions; elsewhere ROS 2
# comes from wheels, and every file that is downloaded has its hash in constraints/.

SHELL := bash
.SHELLFLAGS := -euo pipefail -c
.DELETE_ON_ERROR:
.DEFAULT_GOAL := venv

VENV := .venv
RUN := $(VENV)/bin
# What is imported is compiled then, which takes less time than to compile everything now.
PIP := $(RUN)/python -m pip install --quiet --disable-pip-version-check --no-compile

SOURCED := $(if $(ROS_DISTRO),$(shell python3 -c 'import rclpy' 2>/dev/null && echo $(ROS_DISTRO)))

ifneq ($(SOURCED),)
PYTHON ?= python3
FLAVOUR := ros-$(SOURCED)
VENV_OPTIONS := --system-site-packages
INSTALL := $(PIP) -e '.[bag,view]'
INSTALL_TESTS := $(PIP) -e '.[bag,view,photo,gamepad,remote,test,bench,lint]'
else
ifdef ROS_DISTRO
$(warning ROS 2 $(ROS_DISTRO) is sourced, but python3 cannot import rclpy: taking the wheels instead)
endif
PYTHON ?= $(shell command -v python3.11 || echo python3)
WHEELS ?= kilted
FLAVOUR := wheels-of-$(WHEELS)
VENV_OPTIONS :=
HASHED := $(PIP) --require-hashes --no-build-isolation
PINS := -r constraints/run.txt -r constraints/view.txt -r constraints/$(WHEELS).txt
# The package itself has no hash, and whatever it needs is there.
SELF := $(PIP) --no-index --no-build-isolation -e
INSTALL := $(HASHED) -r constraints/build.txt && $(HASHED) $(PINS) && $(SELF) '.[ros,bag,view]'
INSTALL_TESTS := $(HASHED) $(PINS) -r constraints/test.txt \
  $(addprefix -r constraints/,gamepad.txt remote.txt) && \
  $(SELF) '.[ros,bag,view,photo,gamepad,remote,test,bench,lint]'
endif

# Says what .venv was made from, and in which folder, since it does not survive a move. Another
# flavour, another folder, or a set-up cut short starts afresh.
STAMP := $(VENV)/installed-$(FLAVOUR)-$(shell pwd -P | cksum | cut -d ' ' -f 1)
TESTS := $(STAMP)-tests

.PHONY: venv
venv: $(TESTS)  ## set up .venv

$(STAMP): setup.py setup.cfg pyproject.toml $(wildcard constraints/*.txt)
	$(PYTHON) -m venv $(if $(wildcard $(STAMP)),,--clear) $(VENV_OPTIONS) $(VENV)
	$(INSTALL)
	touch $@

$(TESTS): $(STAMP)
	$(INSTALL_TESTS)
	touch $@

.PHONY: demo
demo: $(STAMP)  ## walk the example robot against the mock board, with pictures
	$(RUN)/leg-kinematics demo

# These tests only compute, and share the processors. The others watch processes and lines in real
# time: mostly they wait, so three at a time do not disturb each other.
COMPUTING := $(addprefix test/,robot calibration solver gait design gait_cases stages lockstep fuzz) \
  $(addprefix test/,firmware recording moves photogrammetry identification teleop) \
  $(addprefix test/board/,framed/test_frames.py simulated/test_simulated_board.py) \
  $(addprefix test/nodes/test_,messages.py streams.py parameter_file.py parameter_names.py) \
  test/nodes/test_hearing.py test/view/test_watching.py \
  $(addprefix test/remote/test_,keys.py words.py holding.py) \
  $(addprefix test/commands/test_,beginners_mistakes.py params_file.py report_layout.py)

# The chains come first: they are the longest, and wait in two lines (test/two_lines.py).
CHAINS := test/chain test/network
OTHERS := $(filter-out %__pycache__ $(CHAINS) $(COMPUTING),$(patsubst %/,%,$(wildcard test/*/))) \
  $(wildcard test/test_*.py)

# With REPORTS=DIR both runs leave a report there.
report = $(if $(REPORTS),--junit-xml=$(REPORTS)/$(1).xml)

.PHONY: test
test: lint  ## everything that must pass
	$(RUN)/python -m pytest -n auto --dist loadgroup $(COMPUTING) $(call report,computing) $(PYTEST_OPTIONS)
	$(RUN)/python -m pytest -n 3 --dist loadfile --no-loadscope-reorder \
	  $(addprefix --ignore=,$(COMPUTING)) $(CHAINS) $(OTHERS) $(call report,others) $(PYTEST_OPTIONS)

.PHONY: lint
lint: $(TESTS)  ## style and types
	$(RUN)/ruff check
	$(RUN)/ruff format --check
	$(RUN)/mypy

.PHONY: bench
bench: $(TESTS)  ## measure speed
	@# BLAS shall choose its kernels by the machine, for the libraries that we compare with.
	env -u OPENBLAS_CORETYPE -u OPENBLAS_L2_SIZE $(RUN)/python -m pytest -m bench -s $(PYTEST_OPTIONS)

.PHONY: soak
soak: $(TESTS)  ## walk for minutes, and try examples that nobody has tried
	$(RUN)/python -m pytest -m 'soak or hypothesis' --hypothesis-profile=fresh --timeout=1800 -s \
	  $(PYTEST_OPTIONS)

# Not of `make test`: the .hex is shipped, and only who changes the source needs a compiler.
include leg_kinematics/board/framed/firmware/firmware.mk

.PHONY: pins
pins:  ## write the hashes of the versions in constraints/ anew; wants uv
	for file in constraints/*.txt; do \
	  { grep '^#' $$file; grep == $$file | sed 's/ \\$$//' | uv pip compile - --quiet --no-deps \
	    --universal --python-version 3.11 --generate-hashes --no-annotate --no-header; } > $$file.new; \
	  mv $$file.new $$file; \
	done

.PHONY: clean
clean:  ## remove everything that was made, .venv too
	rm -rf $(VENV) build install log demo-output check-output calibration-output *.egg-info .benchmarks .hypothesis
	rm -rf .mypy_cache .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

.PHONY: help
help:  ## this list
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "make %-8s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)
