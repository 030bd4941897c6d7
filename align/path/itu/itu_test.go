package itu

import (
	"slices"
	"strings"
	"testing"
	"testing/fstest"
)

func TestArrays(t *testing.T) {
	text := "other(2)\n 9. 9.\nxf2(3,2)\n  1.5000E+00 -2.5E-01-3.0\n .5 1.0D+01 7\nrest (1)\n 4\n"
	folder := fstest.MapFS{"COEFF02W.txt": {Data: []byte(text)}}
	got, err := Arrays(folder, 2, map[string]int{"xf2": 6, "rest": 1})
	if err != nil {
		t.Fatal(err)
	}
	if want := []float64{1.5, -0.25, -3, 0.5, 10, 7}; !slices.Equal(got["xf2"], want) || len(got) != 2 || got["rest"][0] != 4 {
		t.Errorf("%v", got)
	}
	for _, wanted := range []map[string]int{{"xf2": 7}, {"none": 1}} {
		if _, err := Arrays(folder, 2, wanted); err == nil || !strings.Contains(err.Error(), "COEFF02W.txt") {
			t.Errorf("%v: %v", wanted, err)
		}
	}
	if _, err := Arrays(folder, 3, nil); err == nil {
		t.Error("a file that is not there is read")
	}
	if Published(folder) || !Published(fstest.MapFS{"COEFF01W.txt": {}}) {
		t.Error("a published folder is told by its first file")
	}
}
