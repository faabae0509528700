# Proofhold.  make demo: serve an invented fleet  ·  make test: is the code right  ·  make check: is the rest right
# make bench: the service against the database alone  ·  make show-ledger: what reaches each rule
#
# Each step is run by .ci/stage, which prints its seconds.

CARGO ?= cargo
PYTHON = target/python/bin/python
STAGE = .ci/stage

.PHONY: demo test check bench show-ledger

demo:
	$(CARGO) build --locked --package api
	$(CARGO) run --quiet --locked --package api -- install-postgres
	RUST_LOG=$${RUST_LOG:-warn} $(CARGO) run --quiet --locked --package api -- demo

test:
	@$(STAGE) format $(CARGO) fmt --all --check
	@$(STAGE) lint $(CARGO) clippy --locked --workspace --all-targets -- --deny warnings
	@$(STAGE) rules-alone $(CARGO) check --locked --package rules
	@$(STAGE) tests $(CARGO) test --locked --workspace

check: $(PYTHON)
	@$(STAGE) directions .ci/directions
	@$(STAGE) migrations .ci/migrations
	@$(STAGE) document $(PYTHON) -m openapi_spec_validator openapi/v1.json
	@$(STAGE) examples $(PYTHON) .ci/examples.py
	@$(STAGE) compose $(PYTHON) .ci/compose.py
	@$(STAGE) demo-ledger .ci/demo-ledger
	@$(STAGE) schemathesis .ci/schemathesis
	@$(STAGE) readme .ci/readme

bench:
	bench/run.py

show-ledger:
	@$(CARGO) test --quiet --locked --package rules --test scenarios -- every_rule_is_reached --nocapture

$(PYTHON): .ci/requirements.txt
	@$(STAGE) python python3 -m venv --clear target/python
	@$(STAGE) python-packages $(PYTHON) -m pip install --quiet --requirement .ci/requirements.txt
	@touch $(PYTHON)
