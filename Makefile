# Two commands set a fresh machine up completely: `make run` and `make test`.
# `go build ./...` and `go test ./...` work without npm; the page is then a placeholder.

GO      ?= go
VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo dev)
LDFLAGS := -s -w -X main.version=$(VERSION)
WEB     := api/web
TOOLS   := .cache/bin
STATICCHECK_VERSION := v0.8.2
NFPM_VERSION := v2.45.2

.PHONY: run build web test test-go test-web test-page lint bench rig rig-full packages packages-test clean

run: build ## daemon on the simulated station, page built and embedded; prints its address
	./bin/trivet serve --sim $(ARGS)

build: web ## one binary with the page in it
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags "$(LDFLAGS)" -o bin/trivet ./cmd/trivet

web: $(WEB)/node_modules/.package-lock.json ## the page
	cd $(WEB) && npm run --silent build

$(WEB)/node_modules/.package-lock.json: $(WEB)/package-lock.json
	cd $(WEB) && npm ci --no-audit --no-fund --loglevel=error
	@touch $@

test: lint test-go test-web ## everything that can go wrong on a desk

# The race detector looks at what has goroutines. The pure packages have none, and the bench runs on virtual time in one
# goroutine: there it would only cost a factor of ten or more.
PURE := ^trivet/(control|process|sim/(bench|plant|network|fault))(/|$$)

test-go:
	$(GO) test -race -timeout 20m $$($(GO) list ./... | grep -vE '$(PURE)')
	$(GO) test -timeout 30m $$($(GO) list ./... | grep -E '$(PURE)')
	$(GO) test -timeout 10m -run 'WholeStation|OnTheWall' ./cmd/trivet

test-web: web
	cd $(WEB) && npm test --silent && npm run --silent size

lint: $(TOOLS)/staticcheck
	@test -z "$$(gofmt -l $$(git ls-files '*.go'))" || { echo "not gofmt clean:"; gofmt -l $$(git ls-files '*.go'); exit 1; }
	$(GO) vet ./...
	$(TOOLS)/staticcheck ./...

$(TOOLS)/staticcheck:
	GOBIN=$(CURDIR)/$(TOOLS) $(GO) install honnef.co/go/tools/cmd/staticcheck@$(STATICCHECK_VERSION)

bench: ## time and allocations per tick, plant step, frames per second
	$(GO) test -run '^$$' -bench . -benchmem ./...

rig: ## the program against real device nodes, in an emulated Linux guest; fetches Debian's kernel
	.ci/rig

rig-full: ## the same with a whole removal, and a commissioning, through these nodes; long
	.ci/rig full
	.ci/rig commission

packages: web $(TOOLS)/nfpm ## Debian packages for arm64, armhf and amd64, in dist/
	deploy/package/build.sh dist

packages-test: packages ## builds them twice, reads, installs, updates and removes them, runs all three
	.ci/packages

$(TOOLS)/nfpm:
	GOBIN=$(CURDIR)/$(TOOLS) $(GO) install github.com/goreleaser/nfpm/v2/cmd/nfpm@$(NFPM_VERSION)

clean:
	rm -rf bin .cache $(WEB)/node_modules
