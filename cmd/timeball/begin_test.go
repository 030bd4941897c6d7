package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"timeball/capture/wavfile"
	"timeball/cmd/timeball/internal/text"
)

// From an empty home to a fix: the place is asked for and kept, the nearest station
// is offered, wiring is looked at, and the attempt ends with a fix on record.
func TestBeginLeadsToAFix(t *testing.T) {
	home := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", home)
	t.Setenv("XDG_DATA_HOME", home)
	t.Chdir(home)
	begin := func(answers string) (int, string, string) {
		var out, errs bytes.Buffer
		p := &program{t.Context(), strings.NewReader(answers), &out, &errs, openSimulated}
		code := p.run([]string{"begin", "--input=simulated", "--for=15s"})
		return code, out.String(), errs.String()
	}
	// Two miles from WWV, where its ground wave is sure.
	code, out, errs := begin("here\n40.65,-105.05\n9\n1\nagain\n\nkept.wav\n")
	if code != exitOK {
		t.Fatalf("status %d\n%s%s", code, out, errs)
	}
	for _, want := range []string{"is no place", "1) WWV on ", "AM, beat oscillator off", "Give a number from 1", "$ timeball levels --once --input=simulated",
		"$ timeball listen --at=40.65,-105.05 --station=wwv --carrier=2.5MHz", "--record=kept.wav", "never lift a safety earth", "the local clock is "} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	if n := strings.Count(out, "$ timeball levels"); n != 2 {
		t.Errorf("levels were looked at %d times, want 2", n)
	}
	if r, err := wavfile.Open(filepath.Join(home, "kept.wav")); err != nil {
		t.Error(err)
	} else {
		r.Close()
	}
	config, err := os.ReadFile(filepath.Join(home, "timeball", "config.toml"))
	if err != nil || string(config) != "at = \"40.65,-105.05\"\n" {
		t.Errorf("kept: %s, %v", config, err)
	}
	// The second time it is not asked for, and every step can be skipped.
	code, out, errs = begin("\n\n-\n")
	if code != exitOK || !strings.Contains(out, "It is 40.65") || strings.Contains(out, "Latitude") {
		t.Errorf("status %d\n%s%s", code, out, errs)
	}
}

// The same on the page: it asks, and becomes the attempt's.
func TestBeginOnPage(t *testing.T) {
	home := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", home)
	t.Setenv("XDG_DATA_HOME", home)
	t.Chdir(home)
	ctx := browser(t)
	timeball, end := context.WithCancel(t.Context())
	defer end()
	var errs bytes.Buffer
	from, out := io.Pipe()
	code := make(chan int, 1)
	go func() {
		code <- (&program{timeball, strings.NewReader(""), out, &errs, openSimulated}).run([]string{"begin", "--page", "--input=simulated"})
		out.Close()
	}()
	lines := bufio.NewReader(from)
	link, err := lines.ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	rest := make(chan string, 1)
	go func() { all, _ := io.ReadAll(lines); rest <- string(all) }()
	if err := chromedp.Do(ctx, chromedp.Navigate(strings.TrimSpace(strings.TrimPrefix(link, "page: ")))); err != nil {
		t.Fatal(err)
	}
	answer := func(prompt, reply string) {
		t.Helper()
		eventually(t, ctx, `!asked.hidden && document.getElementById("prompt").textContent.startsWith("`+prompt+`")`)
		if folder := os.Getenv("TIMEBALL_SCREENSHOTS"); folder != "" {
			shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
			if err == nil {
				err = os.WriteFile(filepath.Join(folder, "begin-"+strings.Fields(prompt)[0]+".png"), shot, 0o644)
			}
			if err != nil {
				t.Error(err)
			}
		}
		value[bool](t, ctx, `(document.getElementById("answer").value = "`+reply+`", asked.requestSubmit(), true)`)
	}
	answer("Latitude", "40.65,-105.05")
	answer("Which is the receiver tuned to", "")
	answer("Empty", "")
	said := value[string](t, ctx, "said.textContent")
	for _, want := range []string{"1) WWV on ", "tuned to [1]? \n", "good ticks               ticks heard", text.PulseCaution} {
		if !strings.Contains(said, want) {
			t.Errorf("no %q in %s", want, said)
		}
	}
	answer("4. The attempt", "-")
	eventually(t, ctx, `document.getElementById("digits") && digits.textContent.startsWith("+21.9")`) // the attempt's page
	end()
	if all := <-rest; <-code != exitOK || !strings.Contains(all, "the local clock is ahead of UTC by ") {
		t.Errorf("%s%s", all, errs.String())
	}
}
