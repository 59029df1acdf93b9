# phototie: make demo shows the job done, make test proves it.
SHELL    := /bin/bash
GO       ?= go
BIN      := bin/phototie
LIB      ?= bin
DEMO     ?= demo
FUZZTIME ?= 3s
FUZZPKGS ?= ./...
BENCHTIME ?= 1x
# benchstat wants six runs at least
BENCHCOUNT ?= 6
BENCH ?=

# What the build needs, and what the tests measure themselves against. Node is apart, as
# where it comes from elsewhere it has npm in it, and conflicts with Debian's.
BUILD_PACKAGES := pkg-config libproj-dev proj-data
TEST_PACKAGES  := proj-bin geographiclib-tools exif exiv2 gdal-bin strace libxml2-utils imagemagick libheif-examples libjpeg-turbo-progs openssh-client g++ python3
TEST_TOOLS     := cs2cs cct GeodSolve exif exiv2 ogr2ogr strace xmllint convert identify heif-info jpegtran gcc g++ python3

# The packages that need no cgo.
PURE := ./grid ./grid/site ./geotag/... ./match/...

.PHONY: build libphototie dist dist-test demo test test-full lint apidiff unit fuzz examples objectstore batch cross vulns bench benchmarks axe proj shape tools clean help

help: ## list the targets
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 12

# apt_get installs Debian packages, as root or by sudo; elsewhere it says what to do.
define apt_get
	@if ! command -v apt-get >/dev/null; then \
	  echo "phototie needs PROJ 9.1 or newer. Fedora: dnf install pkgconf proj-devel proj-data-europe; macOS: brew install pkgconf proj" >&2; exit 1; fi; \
	s=; [ "$$(id -u)" = 0 ] || s=sudo; \
	echo "installing $(1)"; \
	export DEBIAN_FRONTEND=noninteractive; \
	{ $$s apt-get update -q && $$s apt-get install -q -y --no-install-recommends $(1); } >/tmp/phototie-apt.$$$$ 2>&1 || { cat /tmp/phototie-apt.$$$$ >&2; exit 1; }
endef

proj: ## install PROJ if it is not there
ifneq ($(shell pkg-config --exists 'proj >= 9.1' 2>/dev/null && echo yes),yes)
	$(call apt_get,$(BUILD_PACKAGES))
endif

tools: proj
ifneq ($(words $(foreach t,$(TEST_TOOLS),$(shell command -v $(t) 2>/dev/null))),$(words $(TEST_TOOLS)))
	$(call apt_get,$(TEST_PACKAGES))
endif
ifneq ($(words $(shell command -v node npm 2>/dev/null)),2)
	$(call apt_get,nodejs npm)
endif

build: proj ## build bin/phototie
	@$(GO) build -o $(BIN) ./cmd/phototie

# go build writes a header of its own beside each; phototie.h takes its place. Programs
# find the shared library by its name, wherever it was when they were linked.
comma  := ,
SONAME := $(if $(filter Linux,$(shell uname)),-ldflags '-extldflags=-Wl$(comma)-soname$(comma)libphototie.so')
libphototie: proj ## build the C library in LIB (bin): libphototie.so, libphototie.a and phototie.h
	@$(GO) build -buildmode=c-shared $(SONAME) -o $(LIB)/libphototie.so ./cmd/libphototie
	@$(GO) build -buildmode=c-archive -o $(LIB)/libphototie.a ./cmd/libphototie
	@rm $(LIB)/libphototie.h
	@cp cmd/libphototie/phototie.h $(LIB)/

# The version is what git says of the commit; the archive's recipe is in cmd/phototie/dist.
VERSION ?= $(shell git describe --tags --always --dirty)
DIST    := bin/dist

dist: proj ## pack the command, the C library, PROJ and all they need into DIST (bin/dist)
	@rm -rf $(DIST)
	@GO=$(GO) cmd/phototie/dist/pack $(VERSION) $(DIST)

# The second time from nothing: the same commit gives the same archive, whatever a cache has.
dist-test: dist ## the archive in a bare Debian, against a build for this system (as root, minutes; not part of test)
ifneq ($(words $(shell command -v debootstrap unshare 2>/dev/null)),2)
	$(call apt_get,debootstrap util-linux)
endif
	@set -e; dir=$$(mktemp -d); trap 'rm -rf "$$dir"' EXIT; \
	GOCACHE="$$dir/cache" GO=$(GO) cmd/phototie/dist/pack $(VERSION) "$$dir/again"; \
	diff -r $(DIST) "$$dir/again" && echo "the same archive twice"; \
	$(GO) build -ldflags '-X main.release=$(VERSION)' -o "$$dir/native/phototie" ./cmd/phototie; \
	$(MAKE) --no-print-directory libphototie LIB="$$dir/native"; \
	cmd/phototie/dist/try $(DIST)/phototie-*.tar.gz "$$dir/native"

demo: build ## write the demo job, and take it from the folder to the delivery
	@rm -rf $(DEMO)/port-velland $(DEMO)/port-velland-corrected $(DEMO)/port-velland-delivery
	@mkdir -p $(DEMO)
	@echo '$$ phototie demo $(DEMO)/port-velland'
	@$(BIN) demo $(DEMO)/port-velland
	@echo; echo '$$ phototie init --dry-run $(DEMO)/port-velland'
	@$(BIN) init --dry-run $(DEMO)/port-velland
	@echo; echo '$$ phototie check $(DEMO)/port-velland'
	@$(BIN) check --fail-on never $(DEMO)/port-velland
	@echo; echo '$$ phototie decide --out $(DEMO)/decide.html $(DEMO)/port-velland'
	@$(BIN) decide --out $(DEMO)/decide.html $(DEMO)/port-velland
	@echo; echo '$$ phototie correct --into $(DEMO)/port-velland-corrected $(DEMO)/port-velland'
	@$(BIN) correct --into $(DEMO)/port-velland-corrected $(DEMO)/port-velland
	@echo; echo '$$ phototie check $(DEMO)/port-velland-corrected'
	@$(BIN) check --fail-on never $(DEMO)/port-velland-corrected
	@echo; echo '$$ phototie pack --fail-on never --into $(DEMO)/port-velland-delivery $(DEMO)/port-velland'
	@$(BIN) pack --fail-on never --into $(DEMO)/port-velland-delivery $(DEMO)/port-velland

test: tools lint vulns unit ## everything that CI runs

test-full: export PHOTOTIE_FULL := 1
test-full: export PHOTOTIE_REQUIRE_TOOLS := 1
test-full: test fuzz examples dist-test ## all there is, at the sizes that claims rest on (hours; not part of test)
	$(GO) test -race -timeout 0 ./...

# What looks at the whole code has much on its heap, and takes half the time where it is
# collected less often.
lint: export GOGC := 400
lint: tools
	$(GO) vet ./...
	$(GO) tool staticcheck ./...
	@out=$$(gofmt -l .); if [ -n "$$out" ]; then echo "gofmt these files:"; echo "$$out"; exit 1; fi
	$(GO) mod tidy -diff
	$(GO) run ./testdata/shape -lint
	@$(MAKE) --no-print-directory apidiff

# What fits no longer with the last tag: within major version 0 the top section of the
# changelog has to name each change, and from version 1 on there may be none. Packages
# for tests and studies are not promised.
APIDIFF := golang.org/x/exp/cmd/apidiff@v0.0.0-20261009195045-ca0d7ba23607
CHANGES := testdata/api/CHANGELOG.md
define INCOMPATIBLE
FNR == NR { if (/^## / && sections++) nextfile; if (sections) named = named $$0; next } \
/^- / { what = substr($$0, 3); sub(/^\.\//, "", what); name = what; sub(/: .*/, "", name) } \
/^- / && name !~ /^(cmd|examples|testdata|match\/sim|geotag\/geotagtest)/ && (tag !~ /^v0\./ || !index(named, "`" name "`")) { \
  if (!n++) print "apidiff: since " tag ", not in the top section of $(CHANGES) or not allowed within a major version:"; print "  " what } \
END { exit n > 0 }
endef
apidiff: proj ## the API against that of the last tag
	@set -e -o pipefail; if ! tag=$$(git describe --tags --abbrev=0 --match 'v[0-9]*' 2>/dev/null); then echo "apidiff: there is no tag to compare the API with"; exit 0; fi; \
	dir=$$(mktemp -d); trap 'rm -rf "$$dir"' EXIT; mkdir "$$dir/was"; git archive "$$tag" | tar x -C "$$dir/was"; module=$$($(GO) list -m); \
	GOBIN="$$dir" $(GO) install $(APIDIFF); \
	diff() { "$$dir/apidiff" "$$@" 2>"$$dir/errors" || { cat "$$dir/errors" >&2; exit 1; }; }; \
	(cd "$$dir/was" && diff -m -w ../was.export "$$module"); diff -m -w "$$dir/is.export" "$$module"; \
	diff -m -incompatible "$$dir/was.export" "$$dir/is.export" >"$$dir/changes"; awk -v tag="$$tag" '$(INCOMPATIBLE)' $(CHANGES) "$$dir/changes"

shape: ## the size and complexity of the code against their limits (-list lists what is over)
	@$(GO) run ./testdata/shape

# The race detector makes a test some five times as slow, so that it runs where
# goroutines meet: the packages that start them, and those whose values they share, and
# these with -short, as more turns of the same meet nothing new: those of REPEATED and of the
# C library run in full without it.
# The command's scripts run the real program, which is built without it.
REPEATED := ./geotag/ledger ./match ./match/cause ./match/decide ./match/noise ./match/walk ./match/sim ./match/sim/field/trial
RACE := ./geotag/ledger ./grid/crs ./match ./match/cause ./match/noise ./match/walk ./match/dataset/... ./match/decide ./match/delivery ./match/record ./match/report ./match/sim ./match/sim/field/trial ./match/service ./examples/serve ./cmd/libphototie

# Pictures are drawn and decoded on one goroutine each, which the race detector makes ten
# times as slow to no end. Nothing that hands values over between goroutines may be here: it
# would not be seen to. Nor SQLite's library: with it here races were reported in
# encoding/json, as if the linker took its copies of generic code, unwatched, for all.
UNRACED := image/draw image/jpeg image/png golang.org/x/image/...

# All that go vet looks at is in lint. Bounds on memory hold with that GOGC too. What takes
# longest begins first: the C library's tests build it.
unit: export PHOTOTIE_REQUIRE_TOOLS := 1
unit: export GOGC := 300
unit: tools
	$(GO) test -vet=off -timeout 30m ./cmd/libphototie $$($(GO) list ./... | grep -vxF "$$($(GO) list $(RACE))") $(REPEATED)
	$(GO) test -vet=off -race $(UNRACED:%=-gcflags=%=-race=false) -short -timeout 30m $(RACE)

# Each package's targets share one build, and two targets run side by side with one
# worker each. Go's fuzzer now and then calls it a failure when the time is up in the
# middle of a call ("context deadline exceeded", with no input to blame): then that
# target is run again. It is seen on machines with much else to do.
define FUZZ_ONE
fuzz_one() { \
  local dir bin target log; IFS=$$'\t' read -r dir bin target <<<"$$1"; log=$$(mktemp); \
  run() { (cd "$$dir" && "$$bin" -test.run '^$$' -test.fuzz "^$$target\$$" -test.fuzztime $(FUZZTIME) -test.fuzzminimizetime 10x \
    -test.fuzzcachedir "$$($(GO) env GOCACHE)/fuzz/phototie" -test.parallel 1) >"$$log" 2>&1; }; \
  if run || { grep -q 'context deadline exceeded' "$$log" && ! grep -q 'Failing input' "$$log" && run; }; then \
    local n=$$(grep -o 'execs: [0-9]*' "$$log" | tail -1); echo "fuzz $${dir#"$(CURDIR)"/} $$target: $${n:-its seeds only}"; rm "$$log"; \
  else cat "$$log"; rm "$$log"; return 1; fi; }
endef
fuzz: tools ## each fuzz target of FUZZPKGS for FUZZTIME
	@set -e -o pipefail; dir=$$(mktemp -d); trap 'rm -rf "$$dir"' EXIT; \
	$(GO) list -f '{{.Dir}}' $(FUZZPKGS) | while read -r pkg; do \
	  if grep -qs '^func Fuzz' "$$pkg"/*_test.go; then \
	    bin="$$dir/$$(basename "$$pkg").$$RANDOM.test"; \
	    $(GO) test -c -fuzz=. -o "$$bin" "$$pkg"; \
	    for f in $$("$$bin" -test.list '^Fuzz'); do printf '%s\t%s\t%s\n' "$$pkg" "$$bin" "$$f"; done; \
	  fi; done >"$$dir/targets"; \
	$(FUZZ_ONE); export -f fuzz_one; \
	xargs -a "$$dir/targets" -d '\n' -P 2 -n 1 bash -c 'fuzz_one "$$1"' fuzz

# The examples that are modules of their own, so that what they need is nobody
# else's burden: it is fetched when they are first tested. -mod=mod lets their go.mod
# follow this one's. They are no part of test, as they take minutes to build.
examples: objectstore batch ## test the examples that are modules of their own

objectstore batch: tools
	cd examples/$@ && $(GO) vet -mod=mod ./... && $(GO) test -mod=mod -timeout 30m ./...

# What needs no cgo, built for the systems it is for. TestPlatforms reads its types for the
# same ones, which takes seconds.
cross: ## build the packages without cgo for Linux, macOS, Windows and WebAssembly (minutes; not part of test)
	@set -e; for to in linux/amd64 linux/arm64 darwin/amd64 darwin/arm64 windows/amd64 windows/arm64 js/wasm wasip1/wasm; do echo "$$to"; \
	  CGO_ENABLED=0 GOOS=$${to%/*} GOARCH=$${to#*/} $(GO) build $(PURE); done

# govulncheck asks a server for what is known; the same database is a module, so that
# no more is needed than what brings the dependencies. Both are pinned, so that the
# same commit gives the same answer on any day: VULNDB=latest asks for today's. Packages
# that are imported count, called or not. Go's own library is as good as the Go that
# builds, which is not for this to choose: what is known of that is told and no failure.
VULNDB      ?= v0.0.0-20261105234957-e22db6528018
GOVULNCHECK := v1.9.0
define KNOWN
/^Vulnerability #/ { n++ } \
/Found in: / { if ($$3 ~ /@go[0-9]/) { own++; split($$3, m, "@"); go = m[2] } else other++ } \
/Fixed in: / { if ($$3 ~ /@go[0-9]/) { split($$3, m, "@"); fixed[m[2]] = 1 } } \
{ text = text $$0 "\n" } \
END { if (other || n != own) { printf "%s", text; exit 1 } \
  if (own) { printf "%d known faults of the library of %s are in what phototie imports; mended in", own, go; for (v in fixed) printf " %s", v; print "" } }
endef
# The files that a database has beside its entries: go.dev/security/vuln/database.
define INDEX
import json, os, pathlib, sys
osv, out, modules, newest = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]), {}, ""
(out / "index").mkdir()
os.symlink(osv, out / "ID")
for f in osv.glob("*.json"):
    v = json.loads(f.read_text())
    newest = max(newest, v["modified"])
    for a in v["affected"]:
        modules.setdefault(a["package"]["name"], {})[v["id"]] = v["modified"]
(out / "index/db.json").write_text(json.dumps({"modified": newest}))
(out / "index/modules.json").write_text(json.dumps([{"path": p, "vulns": [{"id": i, "modified": m} for i, m in v.items()]} for p, v in modules.items()]))
endef
vulns: export INDEX := $(INDEX)
vulns: tools ## look for known vulnerabilities in what phototie imports
	@set -e; dir=$$(mktemp -d); trap 'rm -rf "$$dir"' EXIT; mkdir "$$dir/db"; \
	db=$$($(GO) mod download -json golang.org/x/vulndb@$(VULNDB) | sed -n 's/.*"Dir": "\(.*\)",/\1/p'); \
	python3 -c "$$INDEX" "$$db/data/osv" "$$dir/db"; \
	GOBIN="$$dir" $(GO) install golang.org/x/vuln/cmd/govulncheck@$(GOVULNCHECK); \
	code=0; "$$dir/govulncheck" -db "file://$$dir/db" -scan package ./... >"$$dir/out" || code=$$?; \
	if [ $$code != 0 ] && [ $$code != 3 ]; then cat "$$dir/out"; exit $$code; fi; \
	awk '$(KNOWN)' "$$dir/out"

# The metrics of BenchmarkRatio as a table: of the runs of each, the least of ours and of
# the reference, and the median of their ratios.
define RATIOS
/^BenchmarkRatio/ { \
  sub(/^BenchmarkRatio\//, "", $$1); \
  if (!($$1 in n)) order[++rows] = $$1; n[$$1]++; \
  for (i = 3; i < NF; i += 2) { \
    if ($$(i+1) ~ /^(ours|reference)-/) { split($$(i+1), m, "-"); unit[$$1] = m[2]; k = $$1 SUBSEP m[1]; if (!(k in least) || $$i < least[k]) least[k] = $$i } \
    if ($$(i+1) == "ratio") { j = n[$$1]; while (j > 1 && r[$$1, j-1] > $$i) { r[$$1, j] = r[$$1, j-1]; j-- } r[$$1, j] = $$i } \
    if ($$(i+1) == "goal") goal[$$1] = $$i } next } \
/FAIL|panic|SKIP/ { print } \
END { printf "%-26s %12s   %-30s %12s %8s %8s\n", "what", "ours", "reference", "", "ratio", "goal"; \
  for (x = 1; x <= rows; x++) { w = order[x]; split(w, name, "/"); ratio = r[w, int((n[w] + 1) / 2)]; \
    printf "%-26s %9.1f %s   %-30s %9.1f %s %8.2f %8s  %s\n", name[1], least[w, "ours"], unit[w], name[2], least[w, "reference"], unit[w], ratio, "<= " sprintf("%.2f", goal[w]), ratio <= goal[w] ? "met" : "NOT MET" } }
endef

# What got slower than the committed table, or quicker, by benchstat's test. Machines
# differ: ratios to the reference of the same run are compared.
BENCHSTAT := golang.org/x/perf/cmd/benchstat@v0.0.0-20260908200009-22c9c6c9d4da
BENCHTABLE := cmd/phototie/testdata/ratios.txt
define SLOWER
$$7 ~ /^p=/ { rows++; split($$7, p, "[= ]"); if ($$6 ~ /^\+/) { slower++; print "slower: " $$1 ", " $$2 " became " $$4 " (" $$6 ", " $$7 ")" } \
  if ($$6 ~ /^-/) print "quicker: " $$1 ", " $$2 " became " $$4 " (" $$6 ", " $$7 ")" } \
END { if (!rows) print "none of these rows is in " table; else if (!slower) print "nothing got slower beyond noise since " table; exit !rows || slower > 0 }
endef

bench: tools ## the speeds that are promised, each beside its reference, and what got slower since the last committed table (BENCH=name, BENCHWRITE=1 writes the table)
	@set -o pipefail; new=$$(mktemp); trap 'rm -f "$$new"' EXIT; \
	PHOTOTIE_REQUIRE_TOOLS=1 $(GO) test -run '^$$' -bench '^BenchmarkRatio$$/$(BENCH)' -benchtime $(BENCHTIME) -count $(BENCHCOUNT) -timeout 0 ./cmd/phototie >"$$new" || { cat "$$new"; exit 1; }; \
	sed -i -E 's/^(BenchmarkRatio[^ \t]*)-[0-9]+([ \t])/\1\2/' "$$new"; \
	awk '$(RATIOS)' "$$new"; \
	if [ -n "$(BENCHWRITE)" ]; then grep -v '^\(ok\|PASS\)' "$$new" >$(BENCHTABLE); else \
	$(GO) run $(BENCHSTAT) -filter .unit:ratio -ignore goos,goarch,pkg,cpu -format csv $(BENCHTABLE) "$$new" | awk -F, -v table=$(BENCHTABLE) '$(SLOWER)'; fi

benchmarks: tools ## every benchmark there is, in full
	$(GO) test -run '^$$' -bench . -benchmem ./...

AXE := 4.14.1
axe: tools ## drive the pages in headless Chromium and check them with axe-core (minutes; not part of test)
ifneq ($(words $(shell command -v chromium npm pdfimages 2>/dev/null)),3)
	$(call apt_get,chromium npm poppler-utils)
endif
	@set -e; dir=$$(mktemp -d); trap 'rm -rf "$$dir"' EXIT; \
	( cd "$$dir" && npm pack --silent axe-core@$(AXE) >/dev/null && tar xzf axe-core-$(AXE).tgz ); \
	PHOTOTIE_AXE="$$dir/package/axe.min.js" $(GO) test -count=1 -run "TestAxe|TestPage|TestPrint" -v ./match/record ./match/decide ./examples/browser

clean: ## remove what was built
	rm -rf bin $(DEMO)
