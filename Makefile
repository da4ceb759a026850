# Two commands on a fresh machine: make run, make test. They need Go, Node.js with
# npm, and on Debian nothing else: scripts/need.sh brings what the tests start.

VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo dev)
COMMIT  ?= $(shell git rev-parse HEAD 2>/dev/null || echo unknown)
LDFLAGS  = -X plumbline/internal/app.Version=$(VERSION) -X plumbline/internal/app.Commit=$(COMMIT)

PICTURES ?= pictures

STATICCHECK = honnef.co/go/tools/cmd/staticcheck@v0.8.2

# The tests with a browser, the longest to run and to compile.
BROWSER = ./internal/web/pagetest ./internal/browsertest

# Compares with published data that lie outside of the project, on PostgreSQL.
OPEN_DATA = ./internal/assurance/opendata

# What takes longest begins first, so that all of it ends at about one time.
LONGEST = $(BROWSER) ./internal/web ./internal/store ./internal/app ./internal/ingest/fhirfeed

# A limit for what hangs, far above what is slow on a busy machine. Garbage is collected an
# eighth as often, for memory is cheaper than time here (linking takes a quarter less), but
# as often as it must be to stay near 1 GiB a process.
GOTEST = env GOGC=800 GOMEMLIMIT=1GiB go test -vet=off -timeout 2h

.DEFAULT_GOAL := help
.PHONY: help run build assets check test drill verify second mutate lint bench pictures seed docs clean

help: ## list what make can do
	@awk -F ':.*## ' '/^[a-z]+:.*## / {printf "make %-8s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

run: build ## start the dashboard on demonstration data
	bin/dashboard demo

build: assets ## build bin/dashboard, one file that needs nothing beside it
	CGO_ENABLED=0 go build -trimpath -ldflags '$(LDFLAGS)' -o bin/dashboard ./cmd/dashboard

assets: ## fetch the browser code that is embedded (skipped when current)
	@scripts/assets.sh

check: assets ## run the quick tests: no browser, no PostgreSQL, none of seconds, fewer random histories
	go vet ./...
	PLUMBLINE_TEST_POSTGRES= $(GOTEST) -short $(filter-out $(BROWSER),$(LONGEST)) $$(go list ./... | grep -v $(patsubst ./%,-e /%$$,$(BROWSER) $(OPEN_DATA)))

test: assets ## run every test, on SQLite, PostgreSQL and Chromium
	scripts/need.sh
	go vet ./...
	scripts/with-postgres.sh $(GOTEST) $(LONGEST) ./...

drill: assets ## run the long fault tests: kills, fuzzing, standby, restore
	scripts/need.sh
	scripts/drill.sh

verify: ## compare the statistics with scipy and R on fresh series (SEED=n, FREEZE=1)
	SEED='$(SEED)' FREEZE='$(FREEZE)' scripts/verify.sh

second: export WHY := $(WHY)
second: ## say which answers of the second implementation changed (TAKE=1 WHY="...")
	@go run ./internal/assurance/second $(if $(TAKE),--take --why "$$WHY")

mutate: ## change the rules in every small way and see whether a test notices
	nice go run ./internal/assurance/mutate

lint: assets ## check the form of Go and shell files
	@files=$$(git ls-files -co --exclude-standard '*.go' | xargs gofmt -l); \
		if [ -n "$$files" ]; then echo "gofmt these files: $$files" >&2; exit 1; fi
	go vet ./...
	go run $(STATICCHECK) ./...
	scripts/need.sh shellcheck
	shellcheck -x scripts/*.sh .ci/run
	scripts/lint-security.sh

bench: assets ## run the benchmarks
	scripts/need.sh
	scripts/with-postgres.sh go test -run '^$$' -bench . -benchmem ./...

pictures: assets ## take a picture of every page, width, colour and story (PICTURES=folder ONLY=text)
	scripts/need.sh
	PLUMBLINE_PICTURES='$(abspath $(PICTURES))' PLUMBLINE_PICTURES_ONLY='$(ONLY)' $(GOTEST) -count=1 -run '^TestPictures$$' $(firstword $(BROWSER))

docs: ## write the tables of docs/ that follow from the program
	go run ./internal/policy/reference

seed: ## write seed/ anew
	go run ./internal/demo/generate

clean: ## remove what make has built and fetched
	rm -rf bin node_modules web/static/vendor
