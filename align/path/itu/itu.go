// Package itu reads the coefficient files that the ITU publishes with its
// reference code for Recs. ITU-R P.533 and P.372: COEFF01W.txt to COEFF12W.txt, one
// for each month.
package itu

import (
	"fmt"
	"io"
	"io/fs"
	"regexp"
	"strconv"
)

// An array has a heading such as xf2(13,76,2), its name and dimensions; its
// numbers follow, the first index running fastest. Some may stand without a space
// between them where the next is negative.
var (
	heading = regexp.MustCompile(`([A-Za-z]\w*)\s*\(\s*\d+(?:\s*,\s*\d+)*\s*\)`)
	number  = regexp.MustCompile(`[-+]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][-+]?\d+)?`)
)

// FileName is that of a month's file, from 1.
func FileName(month int) string { return fmt.Sprintf("COEFF%02dW.txt", month) }

// Published reports whether a folder holds the files as they are published.
func Published(folder fs.FS) bool {
	_, err := fs.Stat(folder, FileName(1))
	return err == nil
}

// Arrays reads the arrays of a month whose names and lengths are wanted.
func Arrays(folder fs.FS, month int, wanted map[string]int) (map[string][]float64, error) {
	name := FileName(month)
	f, err := folder.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	arrays := map[string][]float64{}
	headings := heading.FindAllSubmatchIndex(text, -1)
	for i, h := range headings {
		array := string(text[h[2]:h[3]])
		length, ok := wanted[array]
		if !ok || arrays[array] != nil {
			continue
		}
		end := len(text)
		if i+1 < len(headings) {
			end = headings[i+1][0]
		}
		for _, word := range number.FindAll(text[h[1]:end], length) {
			v, err := strconv.ParseFloat(decimal(word), 64)
			if err != nil {
				return nil, fmt.Errorf("%s: %s: %w", name, array, err)
			}
			arrays[array] = append(arrays[array], v)
		}
	}
	for array, length := range wanted {
		if len(arrays[array]) != length {
			return nil, fmt.Errorf("%s: %d numbers of %s, want %d", name, len(arrays[array]), array, length)
		}
	}
	return arrays, nil
}

// decimal writes Fortran's exponents of double precision as others do.
func decimal(word []byte) string {
	for i, c := range word {
		if c == 'd' || c == 'D' {
			word[i] = 'e'
		}
	}
	return string(word)
}
