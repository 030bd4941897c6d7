package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
)

// What is read whole has an end. The bounds are far beyond what a person writes or a
// logbook holds, and what is held in memory by them a computer has.
const (
	mostText  = 16 << 20 // bytes of a file of settings, stations, calibrations or measurements
	mostLines = 1 << 30  // bytes of JSON lines for the logbook: a quarter of a million fixes, read one by one
	mostTable = 64 << 20 // bytes of CSV or of a column: of either half a million rows
	mostLine  = 16 << 20 // bytes without a line's end: a fix with a hundred thousand gaps
)

// bounded is a reader that fails after most bytes, or mostLine without a line's end,
// instead of going on without end.
type bounded struct {
	io.Reader
	most, read, line int64
}

func (b *bounded) Read(p []byte) (int, error) {
	n, err := b.Reader.Read(p)
	b.read, b.line = b.read+int64(n), b.line+int64(n)
	if end := bytes.LastIndexByte(p[:n], '\n'); end >= 0 {
		b.line = int64(n - 1 - end)
	}
	switch {
	case b.read > b.most:
		return 0, fmt.Errorf("it has more than %d MiB, and no more is read", b.most>>20)
	case b.line > mostLine:
		return 0, fmt.Errorf("it has a line of more than %d MiB, and no more is read", mostLine>>20)
	}
	return n, err
}

// readText is the content of a file of at most mostText bytes.
func readText(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(&bounded{Reader: f, most: mostText})
}
