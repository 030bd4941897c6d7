package main

import (
	"bytes"
	"encoding/json"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"timeball/align"
)

// A damaged recording gives no fix, an error in one line, or a true fix.
func TestDamagedRecordings(t *testing.T) {
	t.Parallel()
	demo, err := os.ReadFile(demoFile)
	if err != nil {
		t.Fatal(err)
	}
	const header, second = 1 << 15, 8000 * 4 // bytes
	rng := rand.New(rand.NewPCG(1, 2))
	inside := func() int { return header + second + rng.IntN(len(demo)-header-2*second) }
	damages := map[string]func([]byte) []byte{
		"a byte in a thousand changed": func(b []byte) []byte {
			for range len(b) / 1000 {
				b[header+rng.IntN(len(b)-header)] ^= 1 << rng.IntN(8)
			}
			return b
		},
		"the header changed": func(b []byte) []byte {
			for range 20 {
				b[rng.IntN(700)] ^= 1 << rng.IntN(8)
			}
			return b
		},
		"cut short":                func(b []byte) []byte { return b[:inside()] },
		"a byte lost":              func(b []byte) []byte { at := inside(); return slices.Delete(b, at, at+1) },
		"half a frame lost":        func(b []byte) []byte { at := inside() &^ 3; return slices.Delete(b, at, at+2) },
		"a third of a second lost": func(b []byte) []byte { at := inside() &^ 3; return slices.Delete(b, at, at+second/3&^3) },
		"ten seconds zero":         func(b []byte) []byte { clear(b[40*second:][:10*second]); return b },
		"two seconds noise": func(b []byte) []byte {
			for i := range b[30*second:][:2*second] {
				b[30*second+i] = byte(rng.Uint32())
			}
			return b
		},
		"five seconds twice": func(b []byte) []byte { return slices.Insert(b, 20*second, slices.Clone(b[20*second:25*second])...) },
		"blocks exchanged": func(b []byte) []byte {
			for range 4 {
				x, y := inside()&^4095, inside()&^4095
				for i := range 4096 {
					b[x+i], b[y+i] = b[y+i], b[x+i]
				}
			}
			return b
		},
	}
	for _, name := range slices.Sorted(maps.Keys(damages)) { // the same in every run
		file := filepath.Join(t.TempDir(), "damaged.wav")
		if err := os.WriteFile(file, damages[name](slices.Clone(demo)), 0o600); err != nil {
			t.Fatal(err)
		}
		var out, stderr bytes.Buffer
		status := run(t.Context(), []string{"replay", "--json", "--station", "wwv", "--path-delay", "25.1ms", "--receiver-delay", "0.5ms", file}, strings.NewReader(""), &out, &stderr)
		if status == exitFailed {
			if strings.Count(stderr.String(), "\n") != 1 {
				t.Errorf("%s: %q", name, stderr.String())
			}
			t.Logf("%s: %s", name, stderr.String())
			continue
		}
		var fix align.Fix
		if err := json.Unmarshal(out.Bytes(), &fix); err != nil {
			t.Fatalf("%s: status %d, %v: %s", name, status, err, out.String())
		}
		if fix.Verdict != align.Found {
			t.Logf("%s: %s", name, fix.Reason)
			continue
		}
		// The truth before and after the keeper turned the adjustment.
		off := min(math.Abs(*fix.Offset+37e-3), math.Abs(*fix.Offset+12.4e-3))
		t.Logf("%s: off by %.0f us, u = %.0f us", name, off*1e6, *fix.U*1e6)
		if off > 4**fix.U {
			t.Errorf("%s: %.3f ms, u = %.3f ms", name, *fix.Offset*1e3, *fix.U*1e3)
		}
	}
}
