# One command for each chore. `make help` lists them.
SHELL := /bin/bash
.DEFAULT_GOAL := help
.PHONY: help demo test test-production lint bench lock setup

# Processes that share the tests, 0 for none beside pytest itself; each lays its own database and loads every library. With
# three on two cores the suite took 772 s on PostgreSQL and Redis, and two of the browser tests waited in vain.
WORKERS ?= 2
ARGS ?=
# Where Python is told to keep nothing that it compiled, each of the many processes would compile Midflank anew.
export PYTHONDONTWRITEBYTECODE :=

help: ## list these commands
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "make %-16s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

demo: ## set up, carry one timing job, serve on http://127.0.0.1:8000 (PORT=8001, SERVE=no)
	@PORT="$(PORT)" SERVE="$(SERVE)" PYTHON="$(PYTHON)" scripts/demo.sh

# The planner's loops are compiled beside the lint, which has one core to itself else.
test: setup ## lint, then the whole suite on SQLite (ARGS= goes to pytest)
	@.venv/bin/python -m analysis ready & scripts/lint.sh && wait $$!
	@env -u DATABASE_URL -u REDIS_URL .venv/bin/python -m pytest -n $(WORKERS) $(ARGS)

test-production: setup ## the same suite on a PostgreSQL and a Redis of its own (ARGS= goes to pytest)
	@scripts/test-production.sh -n $(WORKERS) $(ARGS)

lint: setup ## ruff, mypy, import-linter, migrations, shellcheck, compose file
	@scripts/lint.sh

bench: setup ## speed and accuracy, as tables
	@scripts/bench.sh

lock: ## renew requirements.txt and requirements-dev.txt (UPGRADE=yes for newer versions)
	@UPGRADE="$(UPGRADE)" scripts/lock.sh

setup: ## the private environment in .venv with what the tests need
	@PYTHON="$(PYTHON)" scripts/setup.sh test
