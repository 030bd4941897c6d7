package main

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"timeball/capture"
	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/testkit"
)

// The scripts run the program as its own process.
func TestMain(m *testing.M) {
	// No test may write into the person's own logbook. (The commands of scripts
	// and children come this way too, and keep what they were given.)
	const mine = "TIMEBALL_TEST_DATA"
	if os.Getenv(mine) == "" {
		folder := filepath.Join(os.TempDir(), fmt.Sprintf("timeball-test-%d", os.Getpid()))
		os.Setenv(mine, folder)
		os.Setenv("XDG_DATA_HOME", folder)
	}
	testscript.Main(endingBrowser{m}, map[string]func(){"timeball": main, "timeball-simulated": mainSimulated})
}

// endingBrowser ends the browser after the tests.
type endingBrowser struct{ *testing.M }

func (e endingBrowser) Run() int {
	defer func() { endChromium() }()
	return e.M.Run()
}

// TestScripts runs testdata/script. A script may say
//
//	status N ARGUMENT...          timeball exits with N
//	wrap FILE.raw FILE.wav RATE   receiver audio beside a marker, two channels
func TestScripts(t *testing.T) {
	demo := map[string][]byte{}
	for _, name := range []string{"gannet-head.wav", "gannet-head-visit.wav"} {
		data, err := os.ReadFile("../../testdata/" + name)
		if err != nil {
			t.Fatal(err)
		}
		demo[name] = data
	}
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		UpdateScripts:       *testkit.Update,
		RequireExplicitExec: true,
		Setup: func(env *testscript.Env) error {
			env.Setenv("XDG_CONFIG_HOME", env.WorkDir+"/config") // not the person's own
			env.Setenv("XDG_DATA_HOME", env.WorkDir+"/data")
			env.Setenv("TIMEBALL_TEST_DATA", env.WorkDir+"/data")
			for name, data := range demo {
				if err := os.WriteFile(env.WorkDir+"/"+name, data, 0o666); err != nil {
					return err
				}
			}
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){"status": status, "wrap": wrap},
		Condition: func(cond string) (bool, error) {
			_, err := os.Stat("/usr/share/codec2/raw/test_datac1_006.raw")
			return cond == "codec2" && err == nil, nil
		},
	})
}

// status runs timeball and checks its exit status.
func status(ts *testscript.TestScript, _ bool, args []string) {
	got, err := 0, ts.Exec("timeball", args[1:]...)
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if strconv.Itoa(got) != args[0] {
		ts.Fatalf("exit status %d, want %s", got, args[0])
	}
}

// wrap puts 16-bit audio beside a pulse of 20 ms a second.
func wrap(ts *testscript.TestScript, _ bool, args []string) {
	raw, err := os.ReadFile(args[0])
	ts.Check(err)
	rate, err := strconv.Atoi(args[2])
	ts.Check(err)
	samples := make([]int16, len(raw)/2)
	ts.Check(binary.Read(bytes.NewReader(raw), binary.LittleEndian, samples))
	w, err := wavfile.Create(ts.MkAbs(args[1]), wavfile.Format{Rate: rate, Channels: 2, Bits: 16})
	ts.Check(err)
	var b capture.Block
	b.Resize(2, len(samples))
	for i, s := range samples {
		b.Channels[0][i] = float32(s) / 32768
		b.Channels[1][i] = 0
		if i%rate >= rate/3 && i%rate < rate/3+rate/50 {
			b.Channels[1][i] = 0.5
		}
	}
	ts.Check(w.Write(&b))
	ts.Check(w.Close())
}
