package main

import (
	"bufio"
	"fmt"
	"io/fs"
	"math"
	"strconv"
	"strings"
	"time"

	"timeball/align/path/climate"
	"timeball/align/path/ionosphere"
)

// tables holds the rows of the reference tables by their leading words.
type tables map[string][]float64

// readTables reads deciles.txt and absorption.txt. A row's key is its
// name and the integers that index it.
func readTables(folder fs.FS) (tables, error) {
	t := tables{}
	keyWords := map[string]int{"L": 4, "U": 4, "ATNO": 2, "PEXP": 3, "PPT": 1, "LH": 4}
	for _, name := range []string{"deciles.txt", "absorption.txt"} {
		f, err := folder.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		lines := bufio.NewScanner(f)
		for lines.Scan() {
			words := strings.Fields(lines.Text())
			if len(words) == 0 || strings.HasPrefix(words[0], "#") {
				continue
			}
			n := keyWords[words[0]]
			if n == 0 || len(words) <= n {
				return nil, fmt.Errorf("%s: row %q is not understood", name, lines.Text())
			}
			row := make([]float64, len(words)-n)
			for i, w := range words[n:] {
				if row[i], err = strconv.ParseFloat(w, 64); err != nil {
					return nil, fmt.Errorf("%s: %w", name, err)
				}
			}
			t[strings.Join(words[:n], " ")] = row
		}
		if err := lines.Err(); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	return t, nil
}

// season is the index of a northern month's season: 0 winter, 1 equinox, 2 summer.
func season(at time.Time) int {
	return [12]int{0, 0, 1, 1, 2, 2, 2, 2, 1, 1, 0, 0}[at.Month()-1]
}

// bands makes sites every step degrees of unsigned latitude.
func bands(from, to, step float64, measure func(float64) float64) (lats []float64, sites []climate.Site) {
	for lat := from; lat <= to; lat += step {
		lats = append(lats, lat)
		sites = append(sites, climate.Site{X: measure(lat), CosLat: 1, Weight: 1})
	}
	return lats, sites
}

func (t tables) deciles(name string, of ionosphere.Part, which string) part {
	lats, sites := bands(0, 90, 5, ionosphere.LatitudeMeasure)
	return part{name, of.Shape(), sites, middles(1), 24, func(layer int, at time.Time, site int) float64 {
		// The classes of sunspot number are taken at 25, 75 and 125.
		var v [3]float64
		for class := range v {
			v[class] = t[fmt.Sprintf("%s %c %d %.0f", which, "WES"[season(at)], class, lats[site])][at.Hour()]
		}
		increase := v[2] - v[0]
		if layer == 1 {
			return increase
		}
		return (v[0]+v[1]+v[2])/3 - 0.75*increase
	}}
}

func (t tables) absorption() part {
	group := [12]int{0, 1, 2, 3, 4, 5, 5, 4, 6, 7, 8, 0}
	_, sites := bands(0, 70, 2.5, ionosphere.AbsorptionMeasure)
	return part{"noon absorption", ionosphere.PartAbsorption.Shape(), sites, middles(1), 1, func(_ int, at time.Time, site int) float64 {
		return t[fmt.Sprintf("ATNO %d", group[at.Month()-1])][site]
	}}
}

func (t tables) exponent() part {
	modips, sites := bands(0, 70, 2.5, ionosphere.AbsorptionMeasure)
	return part{"diurnal exponent", ionosphere.PartExponent.Shape(), sites, middles(1), 1, func(_ int, at time.Time, site int) float64 {
		month := int(at.Month())
		split := t["PPT"][month-1]
		segment, q := 0, -1+2*modips[site]/split
		if modips[site] > split {
			segment, q = 1, -1+2*(modips[site]-split)/(70-split)
		}
		sum := 0.0
		row := t[fmt.Sprintf("PEXP %d %d", month, segment)]
		for i := len(row) - 1; i >= 0; i-- {
			sum = sum*q + row[i]
		}
		return sum
	}}
}

func (t tables) aurora() part {
	lats, sites := bands(30, 90, 2.5, ionosphere.AuroraMeasure)
	return part{"auroral loss, dB", ionosphere.PartAurora.Shape(), sites, middles(1), 24, func(layer int, at time.Time, site int) float64 {
		if lats[site] < 42.5 {
			return 0
		}
		row := max(0, 7-int(math.Floor((lats[site]-42.5)/5)))
		// Eight columns of three hours, the first from 01 to 04.
		column := (at.Hour() + 23) % 24 / 3
		return t[fmt.Sprintf("LH %d %d %d", layer, season(at), row)][column]
	}}
}
