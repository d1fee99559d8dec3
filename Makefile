# The one entry to building, testing and checking. `make` lists the targets.
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
MAKEFLAGS += --no-print-directory

# Go's installer leaves the PATH to its user; look where it unpacks.
export PATH := $(PATH):/usr/local/go/bin

# Pinned tools, built from source by Go itself. golangci-lint has a module of
# its own because its several hundred dependencies would decide versions here.
BUF := go tool -modfile=tools/go.mod buf
WORKFLOWCHECK := go tool -modfile=tools/go.mod workflowcheck
GOLANGCI := go tool -modfile=tools/golangci/go.mod golangci-lint

# Says what is being waited for and how long it took.
STEP := scripts/step

.PHONY: help
help: ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-21s %s\n", $$1, $$2 }' Makefile

.PHONY: need-go
need-go:
	@scripts/need-go

.PHONY: need-postgresql
need-postgresql:
	@scripts/install-postgresql

.PHONY: build
build: need-go ## compile bin/velamen
	@$(STEP) "compiling bin/velamen (several minutes the first time: Temporal's server is built in)" \
		go build -o bin/velamen ./cmd/velamen

.PHONY: test
test: need-go need-postgresql ## install what the tests need, then run them all
	@$(STEP) "compiling everything (several minutes the first time: Temporal's server is built in)" \
		scripts/compile-tests
	@$(STEP) "running the tests against real PostgreSQL and Temporal" go test -timeout 20m ./...

.PHONY: demo
demo: build need-postgresql ## start an invented nursery to look around in; CHECK=1 plays it through once and exits
	bin/velamen demo $(if $(CHECK),--check)

.PHONY: bench
bench: need-go need-postgresql ## measure throughput and planning time
	@$(STEP) "compiling bin/velamen-bench" go build -o bin/velamen-bench ./cmd/velamen-bench
	bin/velamen-bench
	@$(STEP) "measuring rules, proposals, rotations and release statistics in memory" \
		go test -run '^$$' -bench . ./services/treatment/rules ./services/treatment/proposal ./services/treatment/rotation \
			./services/treatment/sampling
	@$(STEP) "reading ten years of logger files of 40 houses and running the infection models over them" \
		go test -run '^$$' -bench TenYears -benchtime 1x ./services/diagnosis
	@$(MAKE) bench-diagnosis

.PHONY: bench-diagnosis
bench-diagnosis: need-go ## rank published cases: top-1, top-3, Brier, reliability, every miss; time of one ranking
	@$(STEP) "ranking published cases and timing it" \
		go test -v -run Published -bench . ./services/diagnosis/evaluation ./services/diagnosis/inference

BENCH_RECORDS_LINES ?= 1000000

.PHONY: bench-records
bench-records: need-go need-postgresql ## fill a ledger with a million lines, report on it and verify it, beside a plain COPY; several minutes
	@$(STEP) "measuring a ledger of $(BENCH_RECORDS_LINES) lines" \
		go test -run '^$$' -bench LedgerAtScale -benchtime 1x -timeout 60m ./services/records -args -lines $(BENCH_RECORDS_LINES)

.PHONY: bench-schedule
bench-schedule: need-go ## plan published problems and made-up nurseries against their bounds, about four minutes
	@$(STEP) "compiling bin/velamen-bench-schedule" \
		go build -o bin/velamen-bench-schedule ./cmd/velamen-bench-schedule
	bin/velamen-bench-schedule $(BENCH_SCHEDULE_FLAGS)

.PHONY: bench-schedule-cross
bench-schedule-cross: need-go ## compare optima with another solver; installs Debian's minizinc, as root
	@$(STEP) "compiling bin/velamen-bench-schedule" \
		go build -o bin/velamen-bench-schedule ./cmd/velamen-bench-schedule
	scripts/bench-schedule-cross

.PHONY: generate
generate: third_party/proto/buf/validate/validate.proto ## write gen/ anew from proto/
	@$(STEP) "generating gen/ from proto/ (buf itself is compiled the first time: about four minutes)" \
		scripts/generate

.PHONY: generate-check
generate-check: third_party/proto/buf/validate/validate.proto ## fail when gen/ is not what proto/ generates
	@$(STEP) "comparing gen/ with what proto/ generates (buf itself is compiled the first time: about four minutes)" \
		scripts/generate --check

# Printed from the pinned Go modules, so the contract compiles offline.
third_party/proto/buf/validate/validate.proto: tools/go.mod tools/go.sum tools/protodeps/main.go | need-go
	@rm -rf third_party/proto
	@$(STEP) "printing the foreign .proto files into third_party/proto" \
		go -C tools run ./protodeps ../third_party/proto

.PHONY: lint
lint: generate-check lint-proto lint-go lint-workflows lint-scripts ## every check that is not a test

.PHONY: lint-proto
lint-proto: third_party/proto/buf/validate/validate.proto ## rules of the contract, and whether it breaks released clients
	@$(STEP) "linting proto/" $(BUF) lint
	@scripts/lint-breaking

.PHONY: lint-go
lint-go: need-go ## gofmt, go vet, import boundaries, golangci-lint
	@unformatted=$$(gofmt -l .); if [ -n "$$unformatted" ]; then \
		echo "not formatted; run gofmt -w on:" >&2; echo "$$unformatted" >&2; exit 1; fi
	@$(STEP) "go vet" go vet ./...
	@$(STEP) "checking import boundaries" go test ./internal/layout
	@$(STEP) "golangci-lint (is itself compiled the first time: several minutes)" $(GOLANGCI) run $(GOLANGCI_FLAGS)

.PHONY: lint-workflows
lint-workflows: need-go ## workflow code must be deterministic
	@scripts/lint-workflows $(WORKFLOWCHECK)

.PHONY: lint-scripts
lint-scripts: ## shell scripts, where shellcheck is installed
	@if command -v shellcheck >/dev/null; then shellcheck scripts/* .ci/run; \
		else echo "==> shellcheck is not installed: scripts not checked"; fi

.PHONY: clean
clean: ## remove what building left behind, not the data of any nursery
	rm -rf bin third_party
