package licences

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "collect the notices anew")

// program is what the notices are of.
const program = "timeball/cmd/timeball"

// notice matches the names of files that state terms.
var notice = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|patents)`)

// TestNotices: the notices are those of the modules that the program is linked
// from today, at today's versions, with and without live capture.
func TestNotices(t *testing.T) {
	modules := map[string]string{} // name and version, folder
	for _, cgo := range []string{"0", "1"} {
		cmd := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{.Path}} {{.Version}}\t{{.Dir}}{{end}}", program)
		cmd.Env = append(os.Environ(), "CGO_ENABLED="+cgo)
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(out)) {
			name, folder, _ := strings.Cut(strings.TrimSpace(line), "\t")
			modules[strings.TrimSpace(name)] = folder
		}
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	modules["Go's standard library"] = strings.TrimSpace(string(root))
	var b strings.Builder
	names := make([]string, 0, len(modules))
	for name := range modules {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int { // its own first
		if own := strings.HasPrefix(a, "timeball"); own != strings.HasPrefix(b, "timeball") {
			return map[bool]int{true: -1, false: 1}[own]
		}
		return strings.Compare(a, b)
	})
	for _, name := range names {
		found := 0
		for _, pattern := range []string{"*", "licenses/*"} {
			files, err := filepath.Glob(filepath.Join(modules[name], pattern))
			if err != nil {
				t.Fatal(err)
			}
			for _, file := range files {
				within, _ := filepath.Rel(modules[name], file)
				if info, err := os.Stat(file); err != nil || info.IsDir() || !notice.MatchString(within) {
					continue
				}
				text, err := os.ReadFile(file)
				if err != nil {
					t.Fatal(err)
				}
				found++
				fmt.Fprintf(&b, "==== %s: %s\n\n%s\n\n", name, within, strings.TrimSpace(strings.ReplaceAll(string(text), "\r", "")))
			}
		}
		if found == 0 {
			t.Errorf("%s states no terms", name)
		}
	}
	if *update {
		if err := os.WriteFile("notices.txt", []byte(b.String()), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	if b.String() != Text {
		t.Error("the modules have changed: run go generate ./cmd/timeball/internal/licences")
	}
}
