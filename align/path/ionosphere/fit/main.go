// Command fit makes the embedded climatology of the ionosphere: it fits short
// series to values of the ITU's numerical maps and of the tables of Recs. ITU-R
// P.1239 and P.533, and prints how far the series are from those values.
package main

import (
	"flag"
	"fmt"
	"log"
	"math"
	"os"
	"time"

	"timeball/align/path/climate"
	"timeball/align/path/geodesic"
	"timeball/align/path/ionosphere"
)

func main() {
	log.SetFlags(0)
	reference := flag.String("reference", "", "folder with ccir01.txt to ccir12.txt, p1239_deciles.txt and p533_tables.txt")
	out := flag.String("out", "compact.bin", "file to write")
	flag.Parse()
	if err := run(*reference, *out); err != nil {
		log.Fatal(err)
	}
}

func run(reference, out string) error {
	folder := os.DirFS(reference)
	maps, err := ionosphere.ReadITUMaps(folder)
	if err != nil {
		return err
	}
	t, err := readTables(folder)
	if err != nil {
		return err
	}
	var data []byte
	for _, p := range []problem{
		f2Problem("foF2, MHz", ionosphere.PartFoF2, maps),
		f2Problem("M(3000)F2", ionosphere.PartM3000, maps),
		t.deciles("lower decile", ionosphere.PartLowDecile, "L"),
		t.deciles("upper decile", ionosphere.PartHighDecile, "U"),
		t.absorption(),
		t.exponent(),
		t.aurora(),
	} {
		series, err := climate.Fit(p.part.Shape(), p.sites, midMonths(), p.hours, p.sample)
		if err != nil {
			return fmt.Errorf("%s: %w", p.name, err)
		}
		encoded, err := series.Encode()
		if err != nil {
			return fmt.Errorf("%s: %w", p.name, err)
		}
		rms, worst := series.Residual(p.sites, midMonths(), p.hours, p.sample)
		fmt.Printf("%-17s %6d bytes, residual by layer %.3g RMS (worst %.3g)\n", p.name, len(encoded), rms, worst)
		data = append(data, encoded...)
	}
	compact, err := ionosphere.DecodeClimatology(data)
	if err != nil {
		return err
	}
	fmt.Println("against the maps, over the world, months, hours and R12 0 to 150:", ionosphere.Compare(compact, maps))
	return os.WriteFile(out, data, 0o644)
}

// midMonths are the days that stand for the months.
func midMonths() []time.Time {
	days := make([]time.Time, 12)
	for i := range days {
		days[i] = time.Date(2025, time.Month(i+1), 15, 0, 0, 0, 0, time.UTC)
	}
	return days
}

// problem is what one part of the climatology is fitted to.
type problem struct {
	name   string
	part   ionosphere.Part
	sites  []climate.Site
	hours  int // samples of the day
	sample func(layer int, at time.Time, site int) float64
}

// f2Problem is foF2 (in MHz) or M(3000)F2 on a grid over the world.
func f2Problem(name string, part ionosphere.Part, maps *ionosphere.ITUMaps) problem {
	var sites []climate.Site
	var places []*ionosphere.Place
	for lat := -87.5; lat < 90; lat += 5 {
		for lon := -180.0; lon < 180; lon += 12 {
			p := ionosphere.NewPlace(geodesic.Point{Lat: lat, Lon: lon})
			places = append(places, p)
			cosLat := math.Cos(lat * math.Pi / 180)
			sites = append(sites, climate.Site{X: p.SinModip, CosLat: cosLat, Lon: lon * math.Pi / 180, Weight: cosLat})
		}
	}
	var last time.Time
	var quiet, active ionosphere.F2Map
	return problem{name, part, sites, 24, func(layer int, at time.Time, site int) float64 {
		if at != last {
			quiet, active, last = maps.At(at, 0), maps.At(at, 100), at
		}
		v := pick(quiet, places[site], part)
		if layer == 1 {
			v = pick(active, places[site], part) - v
		}
		return v
	}}
}

func pick(m ionosphere.F2Map, p *ionosphere.Place, part ionosphere.Part) float64 {
	foF2Hz, m3000 := m.F2(p)
	if part == ionosphere.PartFoF2 {
		return foF2Hz / 1e6
	}
	return m3000
}
