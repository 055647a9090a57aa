# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
#
# `make` alone sets up .venv. With a ROS 2 sourced that has rclpy, .venv stands on it and takes
# its versions; elsewhere ROS 2 comes from the pinned wheels.

SHELL := bash
.SHELLFLAGS := -euo pipefail -c
.DELETE_ON_ERROR:
.DEFAULT_GOAL := venv

VENV := .venv
RUN := $(VENV)/bin

SOURCED := $(if $(ROS_DISTRO),$(shell python3 -c 'import rclpy' 2>/dev/null && echo $(ROS_DISTRO)))

ifneq ($(SOURCED),)
PYTHON ?= python3
FLAVOUR := ros-$(SOURCED)
VENV_OPTIONS := --system-site-packages
INSTALL := -e '.[test,bench,lint]'
else
ifdef ROS_DISTRO
$(warning ROS 2 $(ROS_DISTRO) is sourced, but python3 cannot import rclpy: taking the wheels instead)
endif
PYTHON ?= $(shell command -v python3.11 || echo python3)
WHEELS ?= kilted
FLAVOUR := wheels-of-$(WHEELS)
VENV_OPTIONS :=
INSTALL := -c constraints/common.txt -c constraints/$(WHEELS).txt -e '.[ros,test,bench,lint]'
endif

# Says what .venv was made from. Another flavour, or a set-up cut short, starts afresh.
STAMP := $(VENV)/installed-$(FLAVOUR)

.PHONY: venv
venv: $(STAMP)  ## set up .venv

$(STAMP): setup.py setup.cfg pyproject.toml $(wildcard constraints/*.txt)
	$(PYTHON) -m venv $(if $(wildcard $(STAMP)),,--clear) $(VENV_OPTIONS) $(VENV)
	$(RUN)/python -m pip install --quiet --disable-pip-version-check $(INSTALL)
	touch $@

.PHONY: demo
demo: $(STAMP)  ## walk the example robot against the mock board, with pictures
	$(RUN)/leg-kinematics demo

# These tests only compute, and share the processors. The others watch processes and lines in real
# time, and have the machine for themselves.
COMPUTING := $(addprefix test/,robot calibration solver gait gait_cases stages lockstep fuzz firmware) \
  $(addprefix test/board/,framed/test_frames.py simulated/test_simulated_board.py) \
  $(addprefix test/design/,test_check.py test_straight_lines.py test_tour.py)

# With REPORTS=DIR both runs leave a report there.
report = $(if $(REPORTS),--junit-xml=$(REPORTS)/$(1).xml)

.PHONY: test
test: lint  ## everything that must pass
	$(RUN)/python -m pytest -n auto $(COMPUTING) $(call report,computing) $(PYTEST_OPTIONS)
	$(RUN)/python -m pytest $(addprefix --ignore=,$(COMPUTING)) $(call report,others) $(PYTEST_OPTIONS)

.PHONY: lint
lint: $(STAMP)  ## style and types
	$(RUN)/ruff check
	$(RUN)/ruff format --check
	$(RUN)/mypy

.PHONY: bench
bench: $(STAMP)  ## measure speed
	@# BLAS shall choose its kernels by the machine, for the libraries that we compare with.
	env -u OPENBLAS_CORETYPE -u OPENBLAS_L2_SIZE $(RUN)/python -m pytest -m bench -s $(PYTEST_OPTIONS)

.PHONY: soak
soak: $(STAMP)  ## walk for minutes, and try examples that nobody has tried
	$(RUN)/python -m pytest -m 'soak or hypothesis' --hypothesis-profile=fresh --timeout=1800 -s \
	  $(PYTEST_OPTIONS)

# Not of `make test`: the .hex is shipped, and only who changes the source needs a compiler.
include leg_kinematics/board/framed/firmware/firmware.mk

.PHONY: clean
clean:  ## remove everything that was made, .venv too
	rm -rf $(VENV) build install log demo-output check-output *.egg-info .benchmarks .hypothesis
	rm -rf .mypy_cache .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

.PHONY: help
help:  ## this list
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "make %-8s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)
