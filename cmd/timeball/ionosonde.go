package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"timeball/align/path"
)

// ionosondeFlags tell what an observatory measured of the ionosphere.
type ionosondeFlags struct {
	FoF2          frequency `name:"fof2" placeholder:"7.9MHz" help:"Critical frequency of the F2 layer as measured."`
	HmF2          height    `name:"hmf2" placeholder:"285km" help:"Height of the F2 layer's peak as measured."`
	MUF3000       frequency `name:"muf3000" placeholder:"25MHz" help:"MUF for 3000 km as measured, instead of --hmf2."`
	Ionosonde     *place    `placeholder:"LAT,LON" help:"Where it was measured (default: at the receiver)."`
	IonosondeFile string    `placeholder:"FILE.csv" help:"Measurements over the hours: time (RFC 3339), foF2 in MHz, hmF2 in km."`
}

// height is a height in metres.
type height float64

// UnmarshalText is for kong.
func (h *height) UnmarshalText(text []byte) error {
	number, found := strings.CutSuffix(strings.ToLower(strings.TrimSpace(string(text))), "km")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !found {
		return fmt.Errorf("%q is no height: give it as 285km", text)
	}
	*h = height(v * 1e3)
	return nil
}

// ionograms are the measurements; at is the receiver's place, nil when unknown.
func (f ionosondeFlags) ionograms(at *path.LatLon) ([]path.Ionogram, error) {
	one := f.FoF2 != 0 || f.HmF2 != 0 || f.MUF3000 != 0
	if !one && f.IonosondeFile == "" {
		if f.Ionosonde != nil {
			return nil, usageError{errors.New("--ionosonde: say what it measured with --fof2, --hmf2 or --ionosonde-file")}
		}
		return nil, nil
	}
	if f.Ionosonde != nil {
		at = &f.Ionosonde.LatLon
	}
	if at == nil {
		return nil, usageError{errors.New("--fof2, --hmf2, --muf3000 and --ionosonde-file need --ionosonde LAT,LON or --at")}
	}
	var all []path.Ionogram
	if one {
		g := path.Ionogram{At: *at, FoF2Hz: float64(f.FoF2), HmF2M: float64(f.HmF2), MUF3000Hz: float64(f.MUF3000)}
		if err := g.Check(); err != nil {
			return nil, usageError{err}
		}
		all = append(all, g)
	}
	if f.IonosondeFile == "" {
		return all, nil
	}
	more, err := readIonograms(f.IonosondeFile, *at)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.IonosondeFile, err)
	}
	return append(all, more...), nil
}

// readIonograms reads rows of time, foF2 and hmF2; a first row of names is passed
// over.
func readIonograms(name string, at path.LatLon) ([]path.Ionogram, error) {
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	r := csv.NewReader(&bounded{Reader: file, most: mostText})
	r.Comment, r.TrimLeadingSpace, r.FieldsPerRecord = '#', true, 3
	rows, err := r.ReadAll()
	if wrong := (*csv.ParseError)(nil); errors.As(err, &wrong) {
		return nil, fmt.Errorf("line %d: want three columns with commas between: time, foF2 in MHz and hmF2 in km", wrong.StartLine)
	}
	if err != nil {
		return nil, err
	}
	var all []path.Ionogram
	rowOf := map[int64]int{}
	for i, row := range rows {
		t, err := time.Parse(time.RFC3339, row[0])
		if err != nil && i == 0 {
			continue
		}
		foF2, err2 := strconv.ParseFloat(row[1], 64)
		hmF2, err3 := strconv.ParseFloat(row[2], 64)
		if err := errors.Join(err, err2, err3); err != nil {
			return nil, fmt.Errorf("row %d, %q: want a time as 2026-03-14T18:15:00Z, foF2 in MHz and hmF2 in km; leave out rows with a gap", i+1, strings.Join(row, ","))
		}
		g := path.Ionogram{Time: t, At: at, FoF2Hz: foF2 * 1e6, HmF2M: hmF2 * 1e3}
		if err := g.Check(); err != nil {
			return nil, fmt.Errorf("row %d: %w", i+1, err)
		}
		if first, twice := rowOf[t.Unix()]; twice {
			return nil, fmt.Errorf("row %d has the same time as row %d: keep one of them", i+1, first)
		}
		rowOf[t.Unix()] = i + 1
		all = append(all, g)
	}
	if len(all) == 0 {
		return nil, errors.New("no measurement in it")
	}
	return all, nil
}
