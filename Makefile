# Everything that a contributor or CI runs. Go alone is enough for build, demo and test.
SHELL := /bin/bash
GO ?= go
BIN := $(CURDIR)/.bin
VERSION := $(shell git describe --tags --always --dirty 2>/dev/null || echo dev)
LDFLAGS := -s -w -X main.version=$(VERSION)
# Developer tools live in modules of their own, so that the product's go.mod stays small.
TOOLS := internal/tools
export CGO_ENABLED ?= 0

.PHONY: build licences demo test check torture e2e bench format test-tools format-check lint generate generate-check clean

build: ## bin/cannulary and the two single-role processes; needs no C compiler
	@# What `cannulary licences` prints. A build by go alone has none, and says so.
	$(GO) run ./internal/licences/collect
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags '$(LDFLAGS)' -o bin/ ./services/...

licences: ## every module in the programs has a licence that is allowed
	$(GO) run ./internal/licences/collect
	cd $(TOOLS)/licences && $(GO) run . $(CURDIR)/internal/licences/collected/notices.json

demo: build ## a year of an invented unit; stays up, DEMO_EXIT=1 ends it
	bin/cannulary demo --data .demo

# Generated tests are small, and full where CANNULARY_TESTS is full: internal/testkit/tier.
GOTEST := $(GO) test -shuffle=on -count=1
# What starts no goroutine can have no data race. Nor does the detector see more in what does one thing after the other: the
# campaigns, comparisons of answers, and the tests of acceptance that stop, damage and rebuild. They would take it half an
# hour; all of them run in full size without it.
PURE := ^cannulary/(fhir|internal/(card|draw|oracle|protocol|stay|surveil|track|worklist))(/|$$)
LONG := Campaign|TestEveryFaceSaysTheSame|TestSearchAsR4Says
APART := Kill|Flipped|Damage|Restore|Rebuil|Erasure|Repair|Backup|Order|Histor|Month|TransactionsOfOne
SIZED = $(shell $(GO) list -f '{{range .XTestImports}}{{if eq . "cannulary/internal/testkit/tier"}}{{$$.ImportPath}}{{end}}{{end}}' ./...)

test: ## every promise in small sizes, within minutes; needs Go alone
	$(GOTEST) -timeout 30m ./...
	@$(MAKE) --no-print-directory test-tools

test-tools:
	@for m in fhircheck licences postgres promcheck proto; do (cd $(TOOLS)/$$m && $(GOTEST) ./...) || exit 1; done

check: format-check lint licences generate-check ## what must pass before a change lands: small sizes under -race, then the full ones
	CGO_ENABLED=1 $(GOTEST) -race -timeout 20m -skip '$(LONG)' $$($(GO) list ./... | grep -vE '$(PURE)|/acceptance$$')
	CGO_ENABLED=1 $(GOTEST) -race -timeout 20m -skip '$(LONG)|$(APART)' ./internal/acceptance
	CANNULARY_TESTS=full $(GOTEST) -timeout 40m $$({ printf '%s\n' $(SIZED); $(GO) list ./... | grep -E '$(PURE)'; } | sort -u)
	@$(MAKE) --no-print-directory test-tools

torture: ## the campaigns of kills and flipped bits in their whole size: an hour
	CANNULARY_TESTS=torture $(GO) test -count=1 -timeout 4h -v -run 'Campaign|Killed' ./internal/acceptance

e2e: build ## clients and tools from outside: needs Node and npm; installs what else it needs
	cd internal/e2e && ./run

bench: build ## one line a figure, and .bench/results.json
	$(GO) run ./internal/bench

format:
	gofmt -w $$(git ls-files '*.go')
	cd proto && $(BIN)/buf format -w

format-check: $(BIN)/buf
	@bad=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$bad" ]; then echo "not formatted (make format): $$bad"; exit 1; fi
	cd proto && $(BIN)/buf format --diff --exit-code

lint: $(BIN)/golangci-lint $(BIN)/buf
	$(GO) vet ./...
	$(BIN)/golangci-lint run ./...
	cd proto && $(BIN)/buf lint
	@# The schema may only grow: compare with the commit before, where there is one, by today's rules.
	@if git rev-parse -q --verify HEAD~1:proto/buf.yaml >/dev/null; then \
	  rm -rf .cache/proto-before && mkdir -p .cache/proto-before && git archive HEAD~1 proto | tar -x -C .cache/proto-before && \
	  cp -r proto/buf.yaml proto/buf .cache/proto-before/proto/ && cd proto && $(BIN)/buf breaking --against ../.cache/proto-before/proto; fi

generate: $(BIN)/buf $(BIN)/protoc-gen-go $(BIN)/protoc-gen-go-grpc
	cd proto && $(BIN)/buf generate

generate-check: generate
	@git diff --exit-code -- proto || { echo "generated code differs: run make generate and commit"; exit 1; }

$(BIN)/golangci-lint: $(TOOLS)/lint/go.mod
	cd $(TOOLS)/lint && $(GO) build -o $(BIN)/ github.com/golangci/golangci-lint/v2/cmd/golangci-lint
$(BIN)/buf: $(TOOLS)/proto/go.mod
	cd $(TOOLS)/proto && $(GO) build -o $(BIN)/ github.com/bufbuild/buf/cmd/buf
$(BIN)/protoc-gen-go-grpc: $(TOOLS)/proto/go.mod
	cd $(TOOLS)/proto && $(GO) build -o $(BIN)/ google.golang.org/grpc/cmd/protoc-gen-go-grpc
$(BIN)/protoc-gen-go: go.mod
	$(GO) build -o $(BIN)/ google.golang.org/protobuf/cmd/protoc-gen-go

clean:
	rm -rf bin .bin .bench .cache .demo proto/.deps internal/licences/collected/notices.json
