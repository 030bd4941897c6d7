package main

import (
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/simulate"
	"timeball/capture/station"
	"timeball/capture/wavfile"
)

// simulated writes a simulated recording and returns its path and truth.
func simulated(t *testing.T, c simulate.Config) (string, simulate.Truth) {
	t.Helper()
	src, err := simulate.New(c)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "simulated.wav")
	w, err := wavfile.Create(path, wavfile.Format{Rate: src.Info().Rate, Channels: 2, Bits: 24})
	if err != nil {
		t.Fatal(err)
	}
	var b capture.Block
	for src.Read(&b) == nil {
		if err := w.Write(&b); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return path, src.Truth()
}

// atHome gives the test a configuration folder of its own.
func atHome(t *testing.T) calibrationFile {
	home := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", home)
	t.Setenv("HOME", home)
	return calibrationFile(filepath.Join(home, "timeball", "calibration.toml"))
}

func aStation(t *testing.T, id string) *station.Station {
	t.Helper()
	s, ok := station.Find(id)
	if !ok {
		t.Fatalf("no station %s", id)
	}
	return s
}

func TestCalibrateSkew(t *testing.T) {
	file := atHome(t)
	const skew = -2.345e-6
	pulse := simulate.Marker{NoiseRMS: 5e-4, OffsetSeconds: 0.1}
	path, _ := simulated(t, simulate.Config{Seconds: 60, Seed: 2, Marker: &pulse, Wire: &pulse,
		SoundCard: simulate.SoundCard{ClockPPM: -40, SkewSeconds: skew}})
	status, out, errs := runWith(t, "calibrate", "skew", path)
	if status != exitOK {
		t.Fatalf("%d, %s%s", status, out, errs)
	}
	all, err := file.load()
	if err != nil || all.Skew == nil {
		t.Fatalf("%+v, %v", all, err)
	}
	k := *all.Skew
	t.Logf("off by %.1f ns, u = %.1f ns", (k.DelaySeconds-skew)*1e9, k.USeconds*1e9)
	if e := k.DelaySeconds - skew; math.Abs(e) > 0.1e-6 || math.Abs(e) > 3*k.USeconds || k.USeconds > 0.05e-6 {
		t.Errorf("%+v", k)
	}
	if k.Date.IsZero() || !strings.Contains(k.Method, "pulses on both channels") {
		t.Errorf("%+v", k)
	}
	if status, out, _ := runWith(t, "calibrate", "show"); status != exitOK || !strings.Contains(out, "skew -2.3") {
		t.Errorf("%d, %s", status, out)
	}

	// It is used, and shown in the budget.
	again := wiredFix(t, path)
	if math.Abs(*again.Offset) > 0.1e-6 || !budgetHas(again, "skew", "calibrated") {
		t.Errorf("%v, %+v", *again.Offset, again.Budget)
	}
}

// Pulses of two clocks are no calibration, and one that is there stays.
func TestCalibrateSkewOfTwoClocks(t *testing.T) {
	file := atHome(t)
	path, truth := simulated(t, simulate.Config{Seconds: 30, Seed: 2, Marker: &simulate.Marker{OffsetSeconds: 0.1}, Wire: &simulate.Marker{}})
	status, _, errs := runWith(t, "calibrate", "skew", path)
	if all, _ := file.load(); status != exitNoFix || !strings.Contains(errs, "not the same one") || all.Skew != nil {
		t.Errorf("%d, %s, %+v", status, errs, all)
	}
	if f := wiredFix(t, path); math.Abs(*f.Offset-truth.Marker.Offset) > 3**f.U {
		t.Errorf("by wire %v ± %v", *f.Offset, *f.U)
	}
	status, out, _ := runWith(t, "replay", "--wired", path)
	if status != exitOK || !strings.Contains(out, "ahead of the reference by 100.000") || !strings.Contains(out, "tdev") {
		t.Errorf("%d, %s", status, out)
	}
}

func wiredFix(t *testing.T, path string) align.Fix {
	t.Helper()
	status, out, errs := runWith(t, "replay", "--wired", "--json", path)
	var f align.Fix
	if err := json.Unmarshal([]byte(out), &f); err != nil || status != exitOK || f.Offset == nil {
		t.Fatalf("%d, %v, %s%s", status, err, out, errs)
	}
	validate(t, out)
	return f
}

func budgetHas(f align.Fix, source, note string) bool {
	for _, l := range f.Budget {
		if l.Source == source && strings.Contains(l.Note, note) {
			return true
		}
	}
	return false
}

func TestCalibrateReceiver(t *testing.T) {
	const delay = 1.234e-3
	session := func(offset float64) simulate.Config {
		return simulate.Config{Rate: 8000, Seconds: 45, Seed: 3, Station: aStation(t, "wwv"), SNRdB: 20,
			Receiver: simulate.Receiver{Detector: simulate.Linear, DelaySeconds: delay},
			Marker:   &simulate.Marker{NoiseRMS: 3e-4, OffsetSeconds: offset}}
	}
	for _, c := range []struct {
		name   string
		offset float64
		args   []string
		method string
	}{
		{"generator", 0, []string{"--generator"}, "generator"},
		{"known clock", 0.2, []string{"--clock-offset=200ms±1us", "--path-delay=0us±1us"}, "station"},
	} {
		t.Run(c.name, func(t *testing.T) {
			file := atHome(t)
			path, truth := simulated(t, session(c.offset))
			args := append(append([]string{"calibrate", "receiver", "--station=wwv", "--skew=0us"}, c.args...), path)
			status, out, errs := runWith(t, args...)
			if status != exitOK {
				t.Fatalf("%d, %s%s", status, out, errs)
			}
			all, err := file.load()
			if err != nil || all.ReceiverDelay == nil {
				t.Fatalf("%+v, %v", all, err)
			}
			k := *all.ReceiverDelay
			e := k.DelaySeconds - truth.Receiver.GroupDelay
			t.Logf("off by %.2f us, u = %.2f us", e*1e6, k.USeconds*1e6)
			if math.Abs(e) > 3*k.USeconds || k.USeconds > 20e-6 || !strings.Contains(k.Method, c.method) {
				t.Errorf("off by %v: %+v", e, k)
			}
		})
	}
	t.Run("value given", func(t *testing.T) {
		file := atHome(t)
		status, out, errs := runWith(t, "calibrate", "receiver", "--delay=0.4ms±0.1ms")
		all, err := file.load()
		if status != exitOK || err != nil || all.ReceiverDelay == nil || !strings.Contains(out, "receiver delay +400 ± 100 µs") {
			t.Fatalf("%d, %s%s, %v", status, out, errs, err)
		}
		if k := *all.ReceiverDelay; math.Abs(k.DelaySeconds-0.4e-3) > 1e-12 || math.Abs(k.USeconds-0.1e-3/1.96) > 1e-6 {
			t.Errorf("%+v", k)
		}
	})
	t.Run("no tick", func(t *testing.T) {
		file := atHome(t)
		path, _ := simulated(t, simulate.Config{Seconds: 20, Marker: &simulate.Marker{}})
		status, _, errs := runWith(t, "calibrate", "receiver", "--station=wwv", "--generator", path)
		if all, _ := file.load(); status != exitNoFix || !strings.Contains(errs, "nothing is kept") || all.ReceiverDelay != nil {
			t.Errorf("%d, %s", status, errs)
		}
	})
	for _, args := range [][]string{{}, {"--generator", "--delay=1ms"}, {"--generator", "--path-delay=1ms"}, {"--generator", "--receiver-delay=1ms"}} {
		if status, _, errs := runWith(t, append([]string{"calibrate", "receiver"}, args...)...); status != exitUsage {
			t.Errorf("%v: %d, %s", args, status, errs)
		}
	}
}

// Calibrated through filters so steep that none which is thought of is like them, a receiver
// delays a tick over two paths as it did the generator's: what is not known of them cancels.
func TestCalibrateSteepReceiver(t *testing.T) {
	atHome(t)
	session := simulate.Config{Rate: 8000, Seconds: 40, Seed: 7, Station: aStation(t, "wwv"), SNRdB: 20,
		Receiver: simulate.Receiver{Detector: simulate.AM, DelaySeconds: 2e-3, Filter: simulate.Filter{HighPassHz: 300, LowPassHz: 2700, Order: 8}},
		Marker:   &simulate.Marker{NoiseRMS: 3e-4}}
	path, _ := simulated(t, session)
	status, out, errs := runWith(t, "calibrate", "receiver", "--station=wwv", "--skew=0us", "--generator", "--receiver=kitchen", path)
	if status != exitOK || !strings.Contains(out, "with its response to a tick") {
		t.Fatalf("%d, %s%s", status, out, errs)
	}
	session.Seconds, session.Seed, session.SNRdB, session.Marker.OffsetSeconds = 90, 8, 10, 0.3
	session.Paths = []simulate.Path{{DelaySeconds: 7e-3, SpreadHz: 0.2}, {DelaySeconds: 8e-3, SpreadHz: 0.2}}
	path, truth := simulated(t, session)
	status, out, errs = runWith(t, "replay", "--json", "--station=wwv", "--skew=0us", "--path-delay=7ms±1us", "--receiver=kitchen", path)
	var f align.Fix
	if err := json.Unmarshal([]byte(out), &f); err != nil || status != exitOK || f.Offset == nil {
		t.Fatalf("%d, %v, %s%s", status, err, out, errs)
	}
	e := *f.Offset - truth.Marker.Offset
	t.Logf("off by %.1f µs, u %.1f, group delay %.1f µs", e*1e6, *f.U*1e6, truth.Receiver.GroupDelay*1e6)
	if f.CI95[0] > truth.Marker.Offset || f.CI95[1] < truth.Marker.Offset || *f.U > 15e-6 {
		t.Errorf("off by %.1f µs, u %.1f, %.6f", e*1e6, *f.U*1e6, *f.CI95)
	}
}

// A calibration is replaced only on purpose, what it replaced can be had back, and
// each receiver has its own.
func TestCalibrationsAreKept(t *testing.T) {
	file := atHome(t)
	value := func(of quantityName) float64 {
		t.Helper()
		all, err := file.load()
		if err != nil {
			t.Fatal(err)
		}
		if k := all.current(of); k != nil {
			return math.Round(k.DelaySeconds*1e6) / 1e6
		}
		return math.NaN()
	}
	good := func(want int, args ...string) (out, errs string) {
		t.Helper()
		status, out, errs := runWith(t, append([]string{"calibrate"}, args...)...)
		if status != want {
			t.Fatalf("%v: status %d, %s%s", args, status, out, errs)
		}
		return out, errs
	}
	good(exitOK, "receiver", "--delay=0.4ms±0.02ms")
	_, errs := good(exitFailed, "receiver", "--delay=10.0036ms±0.008ms")
	for _, want := range []string{"kept:  receiver delay +400 ± 20 µs", "found: receiver delay +10.0036 ± 0.0080 ms", "differ by 9.6 ms", "--yes replaces it"} {
		if !strings.Contains(errs, want) {
			t.Errorf("no %q in %s", want, errs)
		}
	}
	if value(receiverName) != 0.4e-3 {
		t.Errorf("it was replaced all the same: %v", value(receiverName))
	}
	good(exitOK, "receiver", "--delay=0.5ms", "--yes")
	good(exitOK, "receiver", "--delay=0.7ms", "--receiver=attic")
	if value(receiverName) != 0.5e-3 || value("receiver attic") != 0.7e-3 {
		t.Errorf("%v, attic %v", value(receiverName), value("receiver attic"))
	}
	if out, _ := good(exitOK, "show"); !strings.Contains(out, "receiver attic delay +700") || !strings.Contains(out, "before: receiver delay +400") {
		t.Errorf("%s", out)
	}
	good(exitOK, "undo", "--receiver=")
	if value(receiverName) != 0.4e-3 || value("receiver attic") != 0.7e-3 {
		t.Errorf("undone: %v, attic %v", value(receiverName), value("receiver attic"))
	}
	good(exitOK, "undo", "--receiver=")
	good(exitFailed, "undo", "--receiver=")
	if !math.IsNaN(value(receiverName)) {
		t.Errorf("%v is left", value(receiverName))
	}
	// Measuring takes the one that is named, or says that there is none.
	flags := measureFlags{Station: []string{"wwv"}, MarkerEdge: "auto", Receiver: "attic"}
	if s, err := flags.settings(file); err != nil || s.ReceiverDelay == nil || math.Abs(s.ReceiverDelay.Value-0.7e-3) > 1e-9 {
		t.Errorf("attic: %+v, %v", s.ReceiverDelay, err)
	}
	flags.Receiver = "cellar"
	if _, err := flags.settings(file); err == nil || !strings.Contains(err.Error(), `no receiver "cellar"`) {
		t.Errorf("cellar: %v", err)
	}
}

// A loop's quality and tuning are told from a recording of the antenna, and a recording of
// audio is refused.
func TestCalibrateLoop(t *testing.T) {
	c := simulate.Config{
		Rate: 96000, Seconds: 10, Seed: 4, SNRdB: 20, Station: aStation(t, "jjy-40"), Marker: &simulate.Marker{},
		Receiver: simulate.Receiver{Detector: simulate.Direct, Loop: simulate.Loop{Q: 25, TunedHz: 38e3}},
	}
	file := atHome(t)
	path, _ := simulated(t, c)
	status, out, errs := runWith(t, "calibrate", "loop", path)
	var q, qU, khz, khzU, us float64
	_, err := fmt.Sscanf(out, "loop: quality %f ± %f, tuned to %f ± %f kHz (95 %%), where it delays by %f µs", &q, &qU, &khz, &khzU, &us)
	if status != exitOK || err != nil {
		t.Fatalf("%d, %s%s, %v", status, out, errs, err)
	}
	// Q/(π·f) is 209 us.
	if math.Abs(q-25) > 2*qU || math.Abs(khz-38) > 2*khzU || math.Abs(us-209) > 209*qU/12.5 || qU > 5 || khzU > 0.2 {
		t.Errorf("%s", out)
	}
	// It is kept, and taken for stations in its band.
	flags := measureFlags{Station: []string{"jjy-40"}, MarkerEdge: "auto"}
	if s, err := flags.settings(file); err != nil || s.Loop == nil || math.Abs(s.Loop.Q-q) > 0.1 || math.Abs(s.Loop.TunedHz/1e3-khz) > 0.01 {
		t.Errorf("kept: %+v, %v", s.Loop, err)
	}
	if status, _, errs := runWith(t, "calibrate", "loop", path); status == exitOK || !strings.Contains(errs, "--yes replaces it") {
		t.Errorf("%d, %s", status, errs)
	}
	if status, out, _ := runWith(t, "calibrate", "loop", "--receiver=rod", path); status != exitOK || !strings.Contains(out, "loop rod: quality") {
		t.Errorf("%d, %s", status, out)
	}
	if status, out, _ := runWith(t, "calibrate", "show"); status != exitOK || !strings.Contains(out, "loop rod: quality") || !strings.Contains(out, "by its noise") {
		t.Errorf("%d, %s", status, out)
	}
	if status, out, _ := runWith(t, "calibrate", "undo", "--loop"); status != exitOK || !strings.Contains(out, "nothing is kept any more") {
		t.Errorf("%d, %s", status, out)
	}
	// A generator's carrier tells it better, and where it does not, why is said.
	if status, _, errs := runWith(t, "calibrate", "loop", "--generator", path); status == exitOK || !strings.Contains(errs, "the strongest carrier is a station's own") {
		t.Errorf("%d, %s", status, errs)
	}
	c.Station, c.SNRdB, c.Generator = nil, 40, simulate.Generator{Hz: 38.5e3, PeriodSeconds: 0.5}
	path, _ = simulated(t, c)
	status, out, errs = runWith(t, "calibrate", "loop", "--generator", path)
	if _, err := fmt.Sscanf(out, "loop: quality %f ± %f, tuned to %f ± %f kHz (95 %%)", &q, &qU, &khz, &khzU); status != exitOK || err != nil || !strings.Contains(out, "by 39 edges of a generator's carrier") {
		t.Fatalf("%d, %s%s, %v", status, out, errs, err)
	}
	if math.Abs(q-25) > 2*qU+0.05 || math.Abs(khz-38) > 2*khzU+0.005 || qU > 0.5 || khzU > 0.05 {
		t.Errorf("%s", out)
	}
	c.Rate, c.Seconds, c.Receiver, c.Generator = 8000, 3, simulate.Receiver{}, simulate.Generator{}
	path, _ = simulated(t, c)
	if status, _, errs := runWith(t, "calibrate", "loop", path); status == exitOK || !strings.Contains(errs, "at 8000 Hz no carrier on long wave is in the samples") {
		t.Errorf("%d, %s", status, errs)
	}
}
