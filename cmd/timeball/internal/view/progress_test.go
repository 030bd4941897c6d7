package view

import (
	"bytes"
	"testing"
)

func TestProgress(t *testing.T) {
	var out bytes.Buffer
	p := NewProgress(&out)
	p.Show("1 s")
	p.Say("hello")
	p.End()
	if out.String() != "hello\n" {
		t.Errorf("not a terminal: %q", out.String())
	}
	out.Reset()
	p.terminal = true
	p.Show("1 s")
	p.Say("hello")
	p.End()
	if want := "\r\x1b[K1 s\r\x1b[Khello\n1 s\r\x1b[K"; out.String() != want {
		t.Errorf("terminal: %q, want %q", out.String(), want)
	}
}
