package main

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"html"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	cdpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"timeball/align"
	"timeball/cmd/timeball/internal/page"
	"timeball/cmd/timeball/internal/report"
	"timeball/cmd/timeball/internal/text"
)

// demoReport writes the report of the demo's recording, and returns its fix.
func demoReport(t *testing.T, args ...string) (name string, f align.Fix) {
	t.Helper()
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	name = filepath.Join(t.TempDir(), "gannet-head.html")
	args = append([]string{"replay", "--json", "--station=wwv", "--carrier=10MHz", "--report=" + name}, args...)
	status, out, errs := runWith(t, append(args, demoFile)...)
	if err := json.Unmarshal([]byte(out), &f); err != nil {
		t.Fatalf("status %d: %s", status, errs)
	}
	return name, f
}

func TestReport(t *testing.T) {
	name, f := demoReport(t, "--at=50.2,-5.6")
	written, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	read := html.UnescapeString(string(written))
	sound, err := os.ReadFile(demoFile)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		text.Headline(f), fmt.Sprintf("%x", sha256.Sum256(sound)), "path delay wwv", "50.2000°, -5.6000°", "10 MHz", "advanced by 24.6 ms at 44.0 s",
		"long way round the earth", "its delay was assumed", "assumed: none was given",
	} {
		if !strings.Contains(read, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
	if n := strings.Count(string(written), "<svg"); n != 3 {
		t.Errorf("%d pictures", n)
	}
	// Nothing in it is fetched: names of XML vocabularies are no links.
	if links := regexp.MustCompile(`(?:src|href)="[^#d"][^"]*"|url\(`).FindAll(written, -1); links != nil {
		t.Errorf("it refers to %s", links)
	}
}

func TestReportWithoutFix(t *testing.T) {
	name, _ := demoReport(t) // nothing is known of the path
	written, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"no fix:", "which is still in the offset"} {
		if !strings.Contains(string(written), want) {
			t.Errorf("the report lacks %q", want)
		}
	}
}

func TestReportInBrowser(t *testing.T) {
	ctx := browser(t)
	w := watch(t, ctx)
	name, _ := demoReport(t, "--at=50.2,-5.6")
	link := "file://" + name
	if err := chromedp.Do(ctx, chromedp.Navigate(link)); err != nil {
		t.Fatal(err)
	}
	if n := printed(t, ctx); n != 2 {
		t.Errorf("it prints on %d pages", n)
	}
	if wide := value[bool](t, ctx, `document.documentElement.scrollWidth > innerWidth`); wide {
		t.Error("it is wider than the screen")
	}
	// The raster's image fills its frame: gonum leaves room beside it otherwise.
	if ratio := value[string](t, ctx, `document.querySelector("svg image").getAttribute("preserveAspectRatio")`); ratio != "none" {
		t.Errorf("the raster keeps its ratio: %q", ratio)
	}
	checkAxe(t, ctx)
	w.check(t, link)
}

// printed is on how many pages of A4 a page prints; with TIMEBALL_SCREENSHOTS it
// keeps them.
func printed(t *testing.T, ctx context.Context) int {
	t.Helper()
	pdf, err := chromedp.Run(ctx, func(ctx context.Context, t *chromedp.Target) ([]byte, error) {
		const wide, high = 210 / 25.4, 297 / 25.4 // A4, inches
		r, err := cdp.Call(ctx, t, cdpage.PrintToPDF, cdpage.PrintToPDFParams{PaperWidth: wide, PaperHeight: high})
		if err != nil {
			return nil, err
		}
		return r.Data, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if folder := os.Getenv("TIMEBALL_SCREENSHOTS"); folder != "" {
		if err := os.WriteFile(filepath.Join(folder, strings.ReplaceAll(t.Name(), "/", "-")+".pdf"), pdf, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(pdf, -1))
}

// A report with much to say still prints on two pages.
func TestCrowdedReportPrints(t *testing.T) {
	ctx := browser(t)
	work, src, _ := demoWork(t, page.Default)
	feed(t, work, src, func(align.Second) {})
	p := pictureOf(work, work.Fix())
	p.Fix.Candidates = mayBe
	for range 3 {
		p.Fix.Stations = append(p.Fix.Stations, p.Fix.Stations[0])
		p.Fix.Budget = append(p.Fix.Budget, p.Fix.Budget[0], p.Fix.Budget[1])
		p.Fix.Warnings = append(p.Fix.Warnings, "measured only from 12:34 of the recording on, as asked for on the page")
	}
	for range 26 {
		work.do(page.Action{Do: page.DoNote, Text: strings.Repeat("the lamp room was heated and the door stood open ", 3)})
	}
	name := filepath.Join(t.TempDir(), "crowded.html")
	if err := report.WriteFix(name, p, work.settings, strings.Repeat("5eed", 16), work.page.Events()); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Do(ctx, chromedp.Navigate("file://"+name)); err != nil {
		t.Fatal(err)
	}
	if n := printed(t, ctx); n != 2 {
		t.Errorf("it prints on %d pages", n)
	}
	eventually(t, ctx, fmt.Sprintf(`document.getElementById("candidates").textContent.includes(%q)`, text.Candidate(mayBe[0])))
}
