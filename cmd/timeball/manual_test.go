package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The manual names every command, and bash, where there is one, completes commands
// and flags.
func TestManual(t *testing.T) {
	_, man, _ := runWith(t, "manual", "man")
	for _, want := range []string{".SS listen", ".SS log adjust", `\-\-path\-delay`, ".SH EXIT STATUS"} {
		if !strings.Contains(man, want) {
			t.Errorf("the manual has no %s", want)
		}
	}
	for _, kind := range []string{"zsh", "fish"} {
		if _, out, _ := runWith(t, "manual", kind); !strings.Contains(out, "replay") {
			t.Errorf("%s: %s", kind, out)
		}
	}
	_, script, _ := runWith(t, "manual", "bash")
	bash, err := exec.LookPath("bash")
	if err != nil {
		t.Skip("no bash")
	}
	file := filepath.Join(t.TempDir(), "timeball")
	if err := os.WriteFile(file, []byte(script), 0o666); err != nil {
		t.Fatal(err)
	}
	for line, want := range map[string]string{"timeball log adj": "adjust", "timeball rep": "replay", "timeball replay --path": "--path-delay", "timeball log adjust --anti": "--anticlockwise"} {
		words := strings.Fields(line)
		code := `source "$1"; shift; COMP_WORDS=("$@"); COMP_CWORD=$(($#-1)); _timeball; echo "${COMPREPLY[@]}"`
		out, err := exec.Command(bash, append([]string{"-c", code, "bash", file}, words...)...).CombinedOutput()
		if err != nil || strings.TrimSpace(string(out)) != want {
			t.Errorf("%s: %s, %v; want %s", line, out, err, want)
		}
	}
}

func TestVersion(t *testing.T) {
	status, out, _ := runWith(t, "--version")
	if status != exitOK || !strings.HasPrefix(out, "timeball, ") || !strings.Contains(out, "commit") || !strings.Contains(out, "live capture") {
		t.Errorf("%d, %s", status, out)
	}
}
