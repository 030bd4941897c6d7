package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// eachFile parses the Go files below a folder of the module, tests apart.
func eachFile(t *testing.T, folder string, look func(name string, f *ast.File)) {
	t.Helper()
	root := filepath.Join("..", "..", folder)
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(name) != ".go" || strings.HasSuffix(name, "_test.go") {
			return err
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err == nil {
			look(filepath.ToSlash(strings.TrimPrefix(name, filepath.Join("..", "..")+string(filepath.Separator))), f)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// The way through the packages is one way.
func TestImportsGoOneWay(t *testing.T) {
	for folder, never := range map[string][]string{
		"capture":          {"timeball/detect", "timeball/align", "timeball/cmd"},
		"capture/simulate": {"timeball/detect"},
		"detect":           {"timeball/align", "timeball/cmd", "timeball/capture/simulate", "timeball/capture/soundcard", "timeball/capture/wavfile"},
		"align":            {"timeball/cmd", "timeball/capture/simulate", "timeball/capture/soundcard", "timeball/capture/wavfile"},
	} {
		eachFile(t, folder, func(name string, f *ast.File) {
			for _, i := range f.Imports {
				path, _ := strconv.Unquote(i.Path.Value)
				if slices.ContainsFunc(never, func(n string) bool { return path == n || strings.HasPrefix(path, n+"/") }) {
					t.Errorf("%s imports %s", name, path)
				}
			}
		})
	}
}

// detect and align know no files, no network, no environment and no clock; the
// logbook and what makes the embedded fits and the map apart.
func TestDetectAndAlignArePure(t *testing.T) {
	clock := regexp.MustCompile(`^(Now|Since|Until|Sleep|After|Tick|NewTimer|NewTicker)$`)
	for _, folder := range []string{"detect", "align"} {
		eachFile(t, folder, func(name string, f *ast.File) {
			if strings.HasPrefix(name, "align/logbook/") || strings.HasPrefix(name, "align/path/fit/") || strings.HasPrefix(name, "align/path/landsea/raster/") {
				return
			}
			for _, i := range f.Imports {
				if path, _ := strconv.Unquote(i.Path.Value); path == "os" || path == "net" || strings.HasPrefix(path, "os/") || strings.HasPrefix(path, "net/") || path == "log" {
					t.Errorf("%s imports %s", name, path)
				}
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if s, ok := n.(*ast.SelectorExpr); ok {
					if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" && clock.MatchString(s.Sel.Name) {
						t.Errorf("%s looks at the clock: time.%s", name, s.Sel.Name)
					}
				}
				return true
			})
		})
	}
}

// Flags are cmd's: nothing else names one (but the logbook's errors, which say what
// to do with a file).
func TestOnlyCmdKnowsFlags(t *testing.T) {
	flag := regexp.MustCompile(`(^|[^-\w])--[a-z]`)
	for _, folder := range []string{"detect", "align"} {
		eachFile(t, folder, func(name string, f *ast.File) {
			if strings.HasPrefix(name, "align/logbook/") {
				return
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING && flag.MatchString(l.Value) {
					t.Errorf("%s says %s", name, l.Value)
				}
				return true
			})
		})
	}
}

// The README is for the person at the clock: what is more than this stands elsewhere.
func TestReadmeIsShort(t *testing.T) {
	const most = 1500 // words
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	if n := len(strings.Fields(string(text))); n > most {
		t.Errorf("%d words", n)
	}
}

// DEVELOPERS.md names files and what is declared in them, methods at the doors between
// packages, targets of make, and every package.
func TestDevelopersNames(t *testing.T) {
	text, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile("`([\\w/-]+\\.go): (\\w+)`").FindAllStringSubmatch(strings.Join(strings.Fields(string(text)), " "), -1)
	for _, n := range names {
		code, err := os.ReadFile(filepath.Join("..", "..", n[1]))
		if err != nil {
			t.Error(err)
			continue
		}
		declared := regexp.MustCompile(`(?m)^(func (\([^)]*\) )?|type |var |const )` + n[2] + `\b`)
		if !declared.Match(code) {
			t.Errorf("%s declares no %s", n[1], n[2])
		}
	}
	if len(names) < 40 {
		t.Errorf("%d names found", len(names))
	}

	packages := map[string]string{} // all code of a package, by the last part of its path
	for _, folder := range []string{"capture", "detect", "align", "cmd"} {
		eachFile(t, folder, func(name string, f *ast.File) {
			code, err := os.ReadFile(filepath.Join("..", "..", name))
			if err != nil {
				t.Fatal(err)
			}
			packages[path.Base(path.Dir(name))] += string(code)
		})
	}
	for name := range packages {
		if !regexp.MustCompile("`[^`]*\\b" + name + "(/[^`]*)?`").Match(text) {
			t.Errorf("package %s is not there", name)
		}
	}
	doors := regexp.MustCompile(`\b([a-z]+)\.([A-Z]\w*)\.([A-Z]\w*)`).FindAllStringSubmatch(string(text), -1)
	for _, d := range doors {
		if !regexp.MustCompile(`(?m)^func \(\w+ \*?` + d[2] + `\) ` + d[3] + `\(|^type ` + d[2] + ` interface \{(?s:[^}]*)\b` + d[3] + `\(`).MatchString(packages[d[1]]) {
			t.Errorf("there is no %s", d[0])
		}
	}
	if len(doors) < 7 {
		t.Errorf("%d doors found", len(doors))
	}

	targets, err := os.ReadFile("../../Makefile")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile("`make ([a-z-]+)").FindAllStringSubmatch(string(text), -1) {
		if !regexp.MustCompile(`(?m)^` + m[1] + `:`).Match(targets) {
			t.Errorf("no target %s in the Makefile", m[1])
		}
	}
}

// Whatever align may have to say, text has words for it.
func TestEveryReasonHasWords(t *testing.T) {
	words, err := os.ReadFile("internal/text/reasons.go")
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	eachFile(t, "align", func(name string, f *ast.File) {
		for _, d := range f.Decls {
			if m, ok := d.(*ast.FuncDecl); ok && m.Recv != nil && (m.Name.Name == "reason" || m.Name.Name == "remark") {
				found++
				if kind, ok := m.Recv.List[0].Type.(*ast.Ident); !ok || !strings.Contains(string(words), "case align."+kind.Name+":") {
					t.Errorf("%s: there are no words for %v", name, m.Recv.List[0].Type)
				}
			}
		}
	})
	if found < 32 {
		t.Errorf("%d reasons and remarks found", found)
	}
}
