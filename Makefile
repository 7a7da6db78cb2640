# make demo      set everything up and show the whole way (ends with the address of the review screens)
# make demo APP=no   the same without the review screens
# make test      set everything up and run the tests
# make check     lint and test, as before a commit;  make bench  speed;  make pictures  the README's pictures
# make audit     look for weaknesses in code and dependencies;  make lock  write requirements.lock anew

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
APP ?= yes

.PHONY: demo test check bench pictures audit lock stop clean

$(VENV)/.ready: pyproject.toml
	@sh .ci/setup $(PYTHON) $(VENV)
	@touch $@

$(VENV)/.dev: $(VENV)/.ready
	@sh .ci/setup $(PYTHON) $(VENV) dev
	@touch $@

demo: $(VENV)/.ready
	@$(BIN)/digitise demo $(if $(filter no,$(APP)),--no-app)

audit: $(VENV)/.dev
	-@$(BIN)/python -m pip install --quiet --disable-pip-version-check -e ".[audit]"
	@$(BIN)/python .ci/audit

lock: $(VENV)/.dev
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -e ".[audit]"
	@$(BIN)/python .ci/lock

stop:
	@if [ -f demo/review.pid ]; then kill "$$(cat demo/review.pid)" && rm demo/review.pid; else echo "The review screens are not running."; fi

test: $(VENV)/.dev
	@$(BIN)/python -m pytest

check: $(VENV)/.dev
	@$(BIN)/ruff check .
	@$(BIN)/python -m pytest

bench: $(VENV)/.dev
	@$(BIN)/python tests/benchmarks/bench_speed.py

pictures: $(VENV)/.dev
	@$(BIN)/python tests/pictures.py

clean:
	rm -rf $(VENV) demo
