# make demo      set everything up and show the whole way (ends with the address of the review screens)
# make demo APP=no   the same without the review screens
# make test      set everything up and run the tests, all cores at work;  make test WORKERS=0   in one process, one after the other
# make check     lint and test, as before a commit;  make bench  speed;  make pictures  the README's pictures
# make audit     look for weaknesses in code and dependencies;  make lock  write .ci/requirements.lock anew

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
APP ?= yes
WORKERS ?= $(shell $(PYTHON) -c 'import os; print(min(8, os.cpu_count() + 1))')

# Each worker is one thread; one more of them than cores, since many tests wait for a browser or another program. A worker
# takes up to 1.5 GB.
PYTEST := OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 OPENCV_FOR_THREADS_NUM=1 $(BIN)/python -m pytest -n $(WORKERS) --dist worksteal

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
	@$(PYTEST)

check: $(VENV)/.dev
	@$(BIN)/ruff check .
	@$(PYTEST)

bench: $(VENV)/.dev
	@$(BIN)/python tests/benchmarks/bench_speed.py

pictures: $(VENV)/.dev
	@$(BIN)/python tests/pictures.py

clean:
	rm -rf $(VENV) demo
