# The two set-up-and-go commands are `make demo` and `make test`: each, alone, on a fresh Debian or
# Ubuntu, installs what is absent and runs. The rest: make lint, bench, pictures, band-report, clean.

VENV := .venv
PY := $(VENV)/bin/python
PIP := $(PY) -m pip --disable-pip-version-check
# Override with `make PYTHON=/path/to/python3.12 demo`; else the first that runs and is new enough.
PYTHONS := $(or $(PYTHON),python3 python3.13 python3.12 python3.11)
NEW_ENOUGH := import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))
SOUND_PACKAGES := libfluidsynth3 fluid-soundfont-gm ffmpeg
# libatomic1 is what Playwright's driver needs; npm brings axe-core, which checks the practice page
# for people who use a screen reader.
TEST_PACKAGES := $(SOUND_PACKAGES) chromium libatomic1 poppler-utils $(if $(shell command -v npm),,nodejs npm)
PICTURE_PACKAGES := $(TEST_PACKAGES) fonts-urw-base35
AXE := tests/node_modules/axe-core/axe.min.js
BENCH_PACKAGES := $(SOUND_PACKAGES) fluidsynth rubberband-cli
# pip compiles these: where no compiler is, by the one that apt brings, or else by one of its own.
KERNELS := $(wildcard generator/sound/native/*.[ch])
COMPILER := command -v $(firstword $(CC)) >/dev/null || sh tests/system_packages.sh gcc libc6-dev

# One thing after another, with -j too: apt and pip each want to be alone.
.NOTPARALLEL:
.PHONY: demo test lint bench pictures band-report clean system-demo system-test system-bench system-pictures

demo: system-demo $(VENV)/.installed
	@$(VENV)/bin/chartbed demo -o out

test: system-test $(VENV)/.installed-test $(AXE)
	@$(PY) -m pytest -n 2 --dist loadgroup $(ARGS)

lint: $(VENV)/.installed-test
	@$(VENV)/bin/ruff check .
	@$(VENV)/bin/ruff format --check .
	@$(VENV)/bin/mypy

bench: system-bench $(VENV)/.installed-test
	@$(PY) -m tests.bench $(ARGS)

pictures: system-pictures $(VENV)/.installed-test
	@$(PY) -m tests.pictures $(ARGS)

band-report: $(VENV)/.installed-test
	@$(PY) -m tests.band_report $(ARGS)

clean:
	rm -rf $(VENV) out generator/sound/native/kernels.so

# Debian and Ubuntu packages, by apt when one is absent; elsewhere, or without the right, the small
# font of pretty_midi and the ffmpeg of imageio-ffmpeg stand in, and `chartbed doctor` says so.
system-demo:
	@sh tests/system_packages.sh $(SOUND_PACKAGES)
system-test:
	@sh tests/system_packages.sh $(TEST_PACKAGES)
system-bench:
	@sh tests/system_packages.sh $(BENCH_PACKAGES)
system-pictures:
	@sh tests/system_packages.sh $(PICTURE_PACKAGES)

$(PY):
	@for python in $(PYTHONS); do \
	  "$$python" -c '$(NEW_ENOUGH)' 2>/dev/null || continue; \
	  "$$python" -c 'import ensurepip, venv' 2>/dev/null || sh tests/system_packages.sh \
	    $$("$$python" -c 'import sys; print("python3.%d-venv" % sys.version_info[1])'); \
	  echo "Making $(VENV) with $$python"; \
	  "$$python" -m venv $(VENV) && exit 0; \
	done; \
	echo "chartbed needs Python 3.11 to 3.13 with venv; install it, or name one: make PYTHON=..."; \
	exit 1

$(VENV)/.installed: pyproject.toml hatch_build.py $(KERNELS) | $(PY)
	@$(COMPILER)
	@echo "Installing chartbed into $(VENV)"
	@$(PIP) install --quiet --editable .
	@touch $@

$(VENV)/.installed-test: pyproject.toml hatch_build.py $(KERNELS) | $(PY)
	@$(COMPILER)
	@echo "Installing chartbed with its test tools into $(VENV)"
	@$(PIP) install --quiet --editable '.[test]'
	@touch $@ $(VENV)/.installed

$(AXE): tests/package-lock.json | system-test
	@npm ci --prefix tests --no-audit --no-fund --silent
	@touch $@
