package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/alecthomas/kong"
)

// manualCmd writes what make install puts beside the program: the manual page and
// what shells complete the command line with.
type manualCmd struct {
	Kind string `arg:"" enum:"man,bash,zsh,fish" help:"Manual page, or completion for a shell: man, bash, zsh or fish."`
}

// Run writes it.
func (c manualCmd) Run(p *program, k *kong.Kong) error {
	if c.Kind == "man" {
		return manPage(p.stdout, k.Model)
	}
	return map[string]func(io.Writer, []completion) error{"bash": completeBash, "zsh": completeZsh, "fish": completeFish}[c.Kind](p.stdout, completions(k.Model.Node, ""))
}

// manPage writes the help of all commands as a manual page (man(7)).
func manPage(w io.Writer, app *kong.Application) error {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	text := func(s string) string {
		s = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(s)
		return strings.ReplaceAll("\n"+s, "\n.", "\n\\&.")[1:]
	}
	line(".TH TIMEBALL 1\n.SH NAME\ntimeball \\- %s\n.SH SYNOPSIS\n.B timeball\n.I COMMAND\n[flags]\n.SH COMMANDS", text(strings.ToLower(app.Help[:1])+app.Help[1:]))
	for _, command := range app.Leaves(true) {
		line(".SS %s", text(command.Summary()))
		if about := command.Detail; about != "" {
			line("%s", strings.ReplaceAll(text(about), "\n\n", "\n.PP\n"))
		} else {
			line("%s", text(command.Help))
		}
		for _, f := range command.Flags {
			line(".TP\n.B %s\n%s", text(f.String()), text(f.Help))
		}
	}
	line(".SH EXIT STATUS\n0: a result. 1: something failed. 2: wrong usage. 3: it ran, but no trustworthy fix was found.")
	_, err := io.WriteString(w, b.String())
	return err
}

// completion is what may follow a command, subcommands among them; files may
// always follow too.
type completion struct {
	after string // the command, such as "log adjust"; empty: the program alone
	words []choice
}

type choice struct{ text, help string }

// completions lists a command and, recursively, those below it.
func completions(n *kong.Node, after string) []completion {
	c := completion{after: after}
	var all []completion
	for _, sub := range n.Children {
		if sub.Hidden {
			continue
		}
		c.words = append(c.words, choice{sub.Name, sub.Help})
		all = append(all, completions(sub, strings.TrimSpace(after+" "+sub.Name))...)
	}
	for _, group := range n.AllFlags(true) {
		for _, f := range group {
			c.words = append(c.words, choice{"--" + f.Name, f.Help})
		}
	}
	return append([]completion{c}, all...)
}

func (c completion) texts() string {
	var list []string
	for _, w := range c.words {
		list = append(list, w.text)
	}
	return strings.Join(list, " ")
}

// completeBash writes a function that looks for the longest command among the
// words before the cursor.
func completeBash(w io.Writer, all []completion) error {
	fmt.Fprint(w, "_timeball() {\n\tlocal words=\"\" word after=\"\"\n\tfor word in \"${COMP_WORDS[@]:1:COMP_CWORD-1}\"; do\n"+
		"\t\t[[ $word == -* ]] || after=\"${after:+$after }$word\"\n\tdone\n\tcase \"$after\" in\n")
	for i := len(all) - 1; i >= 0; i-- { // subcommands before what they belong to
		fmt.Fprintf(w, "\t%q*) words=%q ;;\n", all[i].after, all[i].texts())
	}
	_, err := fmt.Fprint(w, "\tesac\n\tCOMPREPLY=($(compgen -W \"$words\" -- \"${COMP_WORDS[COMP_CWORD]}\"))\n}\ncomplete -o default -F _timeball timeball\n")
	return err
}

// completeZsh lets zsh use what bash does.
func completeZsh(w io.Writer, all []completion) error {
	fmt.Fprint(w, "#compdef timeball\nautoload -U +X bashcompinit && bashcompinit\n")
	return completeBash(w, all)
}

func completeFish(w io.Writer, all []completion) error {
	quoted := strings.NewReplacer(`\`, `\\`, `'`, `\'`)
	for _, c := range all {
		condition := "__fish_use_subcommand"
		if c.after != "" {
			condition = ""
			for _, name := range strings.Fields(c.after) {
				condition += "__fish_seen_subcommand_from " + name + "; and "
			}
			condition = strings.TrimSuffix(condition, "; and ")
		}
		for _, x := range c.words {
			kind := "-a " + x.text
			if name, ok := strings.CutPrefix(x.text, "--"); ok {
				kind = "-l " + name
			}
			if _, err := fmt.Fprintf(w, "complete -c timeball -n '%s' %s -d '%s'\n", condition, kind, quoted.Replace(x.help)); err != nil {
				return err
			}
		}
	}
	return nil
}
