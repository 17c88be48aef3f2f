# loadscribe: the commands a contributor needs. Go 1.26 and Node 20 or newer.
SHELL := /bin/bash
VERSION ?= $(shell git describe --tags --match='v[0-9]*' --always --abbrev=12 --dirty 2>/dev/null || echo dev)
COMMIT ?= $(shell git rev-parse HEAD 2>/dev/null)
LDFLAGS := -s -w -X main.version=$(VERSION) -X main.commit=$(COMMIT)
export CGO_ENABLED := 0
export GOTOOLCHAIN := $(shell .ci/toolchain)
WEB := dashboard/web
WEBSRC := $(shell find $(WEB)/src $(WEB)/index.html $(WEB)/new.html $(WEB)/package.json $(WEB)/package-lock.json $(WEB)/vite.config.ts dashboard/openapi.json 2>/dev/null)

.PHONY: demo build web test race bench lint vuln fmt clean screenshots release

## demo: build all and show an invented shop with a simulated week behind it
demo: build
	./bin/loadscribe demo $(ARGS)

## build: the page, then the one binary
build: web
	go build -trimpath -ldflags '$(LDFLAGS)' -o bin/loadscribe ./cmd/loadscribe

web: $(WEB)/dist/index.html

$(WEB)/node_modules/.installed: $(WEB)/package-lock.json
	cd $(WEB) && npm ci --no-audit --no-fund
	touch $@

$(WEB)/dist/index.html: $(WEB)/node_modules/.installed $(WEBSRC)
	cd $(WEB) && npm run --silent build

# The packages whose tests take longest, first: begun last, one of them would run
# alone at the end while the other cores wait. The pages' checks have browsers of
# their own and the computer for themselves: beside the others they take twice as long.
PACKAGES := ./cmd/loadscribe ./agent/store ./...

## test: every test that this machine can run (LOADSCRIBE_PEERS=require: a missing peer fails)
test: build
	cd $(WEB) && npm run --silent typecheck && npm test --silent
	go test -timeout 20m -skip '^Test(Page|Audit)$$' $(PACKAGES)
	go test -timeout 20m -run '^Test(Page|Audit)$$' ./cmd/loadscribe

## race: the Go tests under the race detector (needs a C compiler), without vet, which is make lint's
race:
	CGO_ENABLED=1 go test -race -short -vet=off -timeout 20m $(PACKAGES)

## bench: print the figures and write bench.tsv; SECTION=store limits them
bench:
	go run ./cmd/bench $(if $(SECTION),-section $(SECTION)) -out bench.tsv

## lint: formatting, vet, tidy modules, staticcheck; the versions are pinned here
STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2
lint:
	@out=$$(gofmt -l agent cmd configs dashboard simulator testdata | grep -v node_modules); if [ -n "$$out" ]; then echo "not gofmt-clean: $$out"; exit 1; fi
	go vet ./... ./testdata/engine ./testdata/peers ./testdata/vectors
	GOOS=windows go vet ./... ./testdata/engine ./testdata/peers ./testdata/vectors
	go mod tidy -diff
	go run $(STATICCHECK) ./... ./testdata/engine ./testdata/peers ./testdata/vectors

## vuln: the known flaws that the program can meet, from a database that is pinned
vuln:
	.ci/vuln

## release: archives, Debian packages, lists of what is in them and checksums, into release/; the same bytes each time
NFPM := github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.2
release: web
	go run ./cmd/release -out release -nfpm $(NFPM) $(ARGS)

## screenshots: the page of a running demo, wide and phone, light and dark
screenshots: build
	SHOTS_DIR=$(CURDIR)/$(WEB)/screenshots go test ./cmd/loadscribe -run TestPage -count=1 -v

fmt:
	gofmt -w agent cmd configs dashboard simulator testdata

clean:
	rm -rf bin bench.tsv release $(WEB)/node_modules
	find $(WEB)/dist -mindepth 1 ! -name placeholder.txt -delete
