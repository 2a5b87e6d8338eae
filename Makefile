# Short words for start.py, which does the work and needs no make.
.PHONY: audit demo setup test lint check format lock bench prove mutate

PYTHON ?= python3

demo setup test lint check:
	$(PYTHON) start.py $@

format: setup
	.venv/bin/ruff check --fix --exit-zero .
	.venv/bin/ruff format .

# Installs the peers that speed is measured beside, measures, writes BENCHMARKS.md: two minutes.
bench: setup
	.venv/bin/python -m pip --version >/dev/null || .venv/bin/python -m ensurepip >/dev/null
	.venv/bin/python -m pip install -q --require-hashes --only-binary :all: -r requirements-bench.lock
	.venv/bin/python benchmarks/run.py

# Goes through every state of the rules of progress and writes docs/proof.md: ten minutes.
prove: setup
	.venv/bin/python proof/prove.py

# Breaks the rules on purpose, sees whether the tests notice, writes docs/mutation.md.
mutate: setup
	.venv/bin/python proof/mutate.py

# Rewrites the lock files from pyproject.toml; needs uv. The run set is held to the versions that the
# tests see. No host name may enter a lock file: uv.lock and pylock.toml are not used for that reason.
UV_LOCK = uv pip compile -q --universal --python-version 3.11 --generate-hashes --no-annotate \
	--no-emit-index-url --no-header pyproject.toml
lock:
	$(UV_LOCK) --upgrade --group dev -o requirements-dev.lock
	$(UV_LOCK) --upgrade -c requirements-dev.lock -o requirements.lock
	$(UV_LOCK) --upgrade -c requirements-dev.lock --group bench -o requirements-bench.lock

# Asks the public lists of known weaknesses about every pinned library; needs the network.
audit:
	python3 -m venv build/audit
	build/audit/bin/python -m pip install -q pip-audit
	build/audit/bin/pip-audit --require-hashes --disable-pip -r requirements.lock
