# timeball: `make demo` shows what it does, `make test` checks it. Both install
# what they need by package name, with sudo unless run by root.

GO ?= go
# Hosts and users are looked up in Go alone: a build without cgo then differs from
# one with it in the sound card only, and what it is built on is compiled once.
export GOFLAGS := -tags=netgo,osusergo $(GOFLAGS)
SUDO := $(shell test "$$(id -u)" = 0 || echo sudo)

# Live capture is built on PortAudio; without its headers all else still works.
LIVE_PACKAGES := pkg-config portaudio19-dev
# A sound server without hardware, audio that holds no time station, a second
# opinion on sound files, a terminal and a browser. Tests skip what is missing.
TEST_PACKAGES := $(LIVE_PACKAGES) pulseaudio pulseaudio-utils libasound2-plugins codec2-examples sox tmux chromium

# Checks that everybody can use the page; from npm, and no other file than this.
AXE := axe-core@4.14.1
AXE_SHA512 := 1477dafa598d8d065f273d6af302aa203c02e83131707b7fa648cd41bd3d6b734f8c22a0dab86ee6a6f64b8afbe804b214d36db85a2826965edfb3a0b9d546b5

GOVULNCHECK := v1.9.0

# $(call install,PACKAGES): those that are missing and can be had.
define install
@missing=""; \
for p in $(1); do dpkg-query -W -f '$${Status}' $$p 2>/dev/null | grep -q 'ok installed' || missing="$$missing $$p"; done; \
test -z "$$missing" || $(SUDO) apt-get update -qq || true; \
for p in $$missing; do \
	echo "installing $$p"; \
	$(SUDO) env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $$p >/dev/null || echo "cannot install $$p: going on without it"; \
done
endef

# Sets CGO_ENABLED for the commands after it, and says so if live capture must be left out.
cgo = if pkg-config --exists portaudio-2.0 2>/dev/null; then export CGO_ENABLED=1; \
	else export CGO_ENABLED=0; echo "no PortAudio headers: building without live capture"; fi;

.PHONY: all demo check test race fuzz faults vulnerabilities bench bench-false bench-history bench-path bench-fold soak recording install dist long clean

all: build/timeball

.PHONY: build/timeball # go build knows what is out of date
build/timeball:
	@$(cgo) $(GO) build -buildvcs=auto -o $@ ./cmd/timeball
	@$@ licences > build/licences.txt

demo:
	$(call install,$(LIVE_PACKAGES))
	@$(MAKE) --no-print-directory build/timeball
	@echo "The volunteers of the Gannet Head lighthouse museum measure their master clock:"
	build/timeball replay --station wwv --carrier 5MHz --at 50.2,-5.6 --receiver-delay 0.5ms+-0.1ms \
		--plot build/gannet-head.png testdata/gannet-head.wav
	@echo
	@echo "On a visit inland, 403 km from Mainflingen, they measure their travelling clock by long wave:"
	build/timeball replay --station dcf77 --at 50.4,3.4 --receiver-delay 0us+-10us --skew 0us \
		--plot build/gannet-head-visit.png testdata/gannet-head-visit.wav

# Tests that play in real time mostly wait: more of them than cores run side by side,
# packages too, and their own begins first. Little is in use in each, and collecting
# garbage a quarter as often takes a tenth less of the processor.
test:
	$(call install,$(TEST_PACKAGES))
	@$(MAKE) --no-print-directory build/npm || echo "cannot install $(AXE): going on without it"
	@$(cgo) GOGC=400 $(GO) test -vet=off -ldflags=-w -p 4 -parallel 8 -timeout 20m ./cmd/timeball ./...

# What a change must not spoil beside the tests.
STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2
check:
	@$(GO) mod tidy -diff
	@test -z "$$(gofmt -l .)" || { echo "not as gofmt writes it:"; gofmt -l .; exit 1; }
	@CGO_ENABLED=0 $(GO) build ./...
	@$(cgo) $(GO) vet ./... && $(GO) run $(STATICCHECK) ./...

build/npm:
	@echo "installing $(AXE)"
	@rm -rf $@.part && mkdir -p $@.part/node_modules/axe-core
	@cd $@.part && npm pack --silent $(AXE) >/dev/null && echo "$(AXE_SHA512)  $(subst @,-,$(AXE)).tgz" | sha512sum --check --quiet && \
		tar -xzf $(subst @,-,$(AXE)).tgz -C node_modules/axe-core --strip-components 1
	@mv $@.part $@

# What runs at the same time, watched for races: the live measurement, the page,
# the sources. What only works out numbers for whoever asks, and the database, are
# not watched: that would take most of the time. What is only looked at in a browser
# runs one thing at a time.
unwatched := $(foreach p,modernc.org/... gonum.org/... codeberg.org/... timeball/detect/tick/... timeball/detect/chirp timeball/align/path/...,-gcflags='$(p)=-race=false')
race:
	$(call install,$(TEST_PACKAGES))
	CGO_ENABLED=1 $(GO) test -race -vet=off $(unwatched) ./capture/soundcard ./capture/wavfile ./cmd/timeball/internal/page ./cmd/timeball/internal/view
	CGO_ENABLED=1 $(GO) test -race -vet=off $(unwatched) ./align -run 'TestRadioAfterAGap|TestSoundingIsHeard' -timeout 30m
	CGO_ENABLED=1 $(GO) test -race -vet=off $(unwatched) ./cmd/timeball -timeout 30m \
		-run 'SoundcardListen$$|SoundcardListenPage|SoundcardRecord|ListenJSON|PageChangesNothing|PageTurned|PageNotesAreKept|ReadAhead|KeepSameNoteTwice|ReplaySeveral'

# Random input for each parser, a minute each. SQLite is not watched for what it
# has not yet done: that would take minutes to compile, and find nothing of ours.
FUZZ_TIME := 1m
fuzz:
	@grep -ro '^func Fuzz[A-Za-z0-9]*' --include='*_test.go' . | sed 's,/[^/]*:func , ,' | sort | while read package target; do \
		echo "$$package $$target"; \
		$(GO) test -gcflags='modernc.org/...=-d=libfuzzer=0' -run '^$$' -fuzz "^$$target$$" -fuzztime $(FUZZ_TIME) -fuzzminimizetime 100x $$package || exit; \
	done

# Every operation on a file that goes wrong, not only a sample of them: a
# quarter of an hour.
faults:
	TIMEBALL_FAULTS=all $(GO) test ./cmd/timeball ./align/logbook -run '^(TestFaults|TestRottenByte)$$' -timeout 1h -v

# Known vulnerabilities in what the program is built on and calls.
vulnerabilities:
	@GOBIN=$(CURDIR)/build $(GO) install golang.org/x/vuln/cmd/govulncheck@$(GOVULNCHECK) || { echo "not checked: govulncheck cannot be had"; exit 1; }
	@build/govulncheck ./...; status=$$?; \
	case $$status in 0|3) ;; *) echo "not checked: the data on vulnerabilities cannot be reached" ;; esac; exit $$status # 3: some were found

# Statistics of the estimator against simulated truths, then speed and memory.
bench:
	@mkdir -p build
	$(GO) run ./cmd/timeball-bench -reduced -n 40 -csv build/bench.csv
	$(GO) test -run '^$$' -bench . ./...

# What is stated without a station, in more than a thousand recordings of 3 to 10 min
# of every family: some hours. What came of each stands in a file at once, and a
# run goes on where the one before was ended: remove the file to begin anew.
OUTCOMES := build/false.csv
bench-false:
	$(call install,codec2-examples)
	@mkdir -p build
	for n in 1 2 4 8 16 36; do $(GO) run ./cmd/timeball-bench -regexp -class '^free' -outcomes $(OUTCOMES) -n $$n || exit; done

# The reduced set of classes, always the same recordings: ten minutes on two idle
# cores. What it prints is kept, and compared with the run before.
HISTORY := testdata/bench-history.csv
bench-history:
	$(GO) run ./cmd/timeball-bench -reduced -n 24 -history $(HISTORY)
	$(GO) run ./cmd/timeball-bench -difference $(HISTORY)

# Of the path: circuits and evenings through simulated ionospheres, what the advice
# brings and what a measured layer does; each of 400: hours of one processor.
EVENINGS := 400
bench-path:
	GOMAXPROCS=1 $(GO) test ./align/path -run 'TestCircuits|TestEvenings' -bench 'Advice|Ionosonde' -benchtime 1x -timeout 24h -v -evenings $(EVENINGS)

# The program beside a plain script that folds the same hour.
bench-fold:
	$(call install,python3-scipy)
	$(GO) test ./cmd/timeball -run '^$$' -bench AgainstFold -benchtime 1x -v

# An hour of live capture from a sound server of its own: frames lost, share of
# a core, memory.
SOAK := 1h
soak:
	$(call install,$(TEST_PACKAGES))
	@$(cgo) TIMEBALL_SOAK=$(SOAK) $(GO) test ./cmd/timeball -run '^$$' -bench ListenSoak -benchtime 1x -timeout 2h -v

# The demo's recordings. In the first the keeper turns the adjustment after 44 s.
recording: build/timeball
	rm -f testdata/gannet-head.wav testdata/gannet-head-visit.wav
	build/timeball simulate --output testdata/gannet-head.wav --for 90s --sample-rate 8000 --start 2026-03-14T05:20:07Z --seed 3 \
		--station wwv --path-delay 25.1ms --fading mid-moderate --snr 12 --lightning 4 --hum 50 \
		--receiver-delay 0.4ms --high-pass 100 --low-pass 3000 --offset=-37ms --step 44s=-24.6ms --sample-clock 23
	build/timeball simulate --output testdata/gannet-head-visit.wav --for 90s --sample-rate 8000 --start 2026-06-14T11:20:50Z --seed 5 \
		--station dcf77 --detector ssb --mistuning 1500 --cn0 60 --path-delay 1.3502ms --lightning 4 --offset=-3.217ms --sample-clock 23

# The program with its manual and what shells complete it with.
PREFIX := /usr/local
share := $(DESTDIR)$(PREFIX)/share
install: build/timeball
	install -D build/timeball $(DESTDIR)$(PREFIX)/bin/timeball
	build/timeball manual man | gzip -9n > build/timeball.1.gz && install -Dm644 build/timeball.1.gz $(share)/man/man1/timeball.1.gz
	build/timeball manual bash > build/timeball.bash && install -Dm644 build/timeball.bash $(share)/bash-completion/completions/timeball
	build/timeball manual zsh > build/_timeball && install -Dm644 build/_timeball $(share)/zsh/site-functions/_timeball
	build/timeball manual fish > build/timeball.fish && install -Dm644 build/timeball.fish $(share)/fish/vendor_completions.d/timeball.fish
	install -Dm644 LICENSE $(share)/doc/timeball/copyright

# The tests of long recordings at their whole length: half a day, a day with gaps.
long:
	TIMEBALL_LONG=1 $(GO) test ./align -run 'HalfADay|AfterANight|ManyGaps' -timeout 30m -v

# What others can install: a Debian package with live capture, and programs of one
# file without, each tried on the demo's recording where it can run here.
STATIC := linux-amd64 linux-arm64 windows-amd64 darwin-arm64
DIST_VERSION := 0.$(shell git log -1 --format=%cd --date=format:%Y%m%d)+$(shell git rev-parse --short HEAD)
dist: $(STATIC:%=dist-%)
	rm -rf build/package && $(MAKE) --no-print-directory install DESTDIR=build/package PREFIX=/usr
	install -d build/package/DEBIAN
	printf 'Package: timeball\nVersion: %s\nArchitecture: %s\nMaintainer: the timeball project\nDepends: libc6, libportaudio2\nSection: hamradio\nPriority: optional\nDescription: measures a clock against time signals\n Tells how far a one-pulse-a-second marker is from UTC, by the ticks of\n standard-time stations.\n' \
		'$(DIST_VERSION)' "$$(dpkg --print-architecture)" > build/package/DEBIAN/control
	dpkg-deb --root-owner-group --build build/package build/timeball.deb

dist-%:
	CGO_ENABLED=0 GOOS=$(word 1,$(subst -, ,$*)) GOARCH=$(word 2,$(subst -, ,$*)) $(GO) build -buildvcs=auto -trimpath -ldflags '-s -w' -o build/timeball-$* ./cmd/timeball
	@if [ $* = $$($(GO) env GOOS)-$$($(GO) env GOARCH) ]; then build/timeball-$* replay --station wwv --path-delay 25.1ms testdata/gannet-head.wav >/dev/null && echo "timeball-$*: measures the demo's recording"; \
	else echo "timeball-$*: built, cannot be tried here"; fi

clean:
	rm -rf build
