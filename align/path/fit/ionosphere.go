package main

import (
	"fmt"
	"io/fs"
	"math"
	"time"

	"timeball/align/path/climate"
	"timeball/align/path/geodesic"
	"timeball/align/path/ionosphere"
)

// readIonosphere reads the maps, deciles.txt and absorption.txt (Recs. ITU-R P.1239
// and P.533).
func readIonosphere(folder fs.FS) (climatology, error) {
	maps, err := ionosphere.ReadITUMaps(folder)
	if err != nil {
		return climatology{}, err
	}
	t, err := readTables(folder)
	if err != nil {
		return climatology{}, err
	}
	return climatology{
		parts: []part{
			f2Part("foF2, MHz", ionosphere.PartFoF2, maps),
			f2Part("M(3000)F2", ionosphere.PartM3000, maps),
			t.deciles("lower decile", ionosphere.PartLowDecile, "L"),
			t.deciles("upper decile", ionosphere.PartHighDecile, "U"),
			t.absorption(),
			t.exponent(),
			t.aurora(),
		},
		compare: func(data []byte) (fmt.Stringer, error) {
			compact, err := ionosphere.DecodeClimatology(data)
			if err != nil {
				return nil, err
			}
			return ionosphere.Compare(compact, maps), nil
		},
	}, nil
}

// f2Part is foF2 (in MHz) or M(3000)F2 on a grid over the world.
func f2Part(name string, of ionosphere.Part, maps *ionosphere.ITUMaps) part {
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
	return part{name, of.Shape(), sites, middles(1), 24, func(layer int, at time.Time, site int) float64 {
		if at != last {
			quiet, active, last = maps.At(at, 0), maps.At(at, 100), at
		}
		v := pick(quiet, places[site], of)
		if layer == 1 {
			v = pick(active, places[site], of) - v
		}
		return v
	}}
}

func pick(m ionosphere.F2Map, p *ionosphere.Place, of ionosphere.Part) float64 {
	foF2Hz, m3000 := m.F2(p)
	if of == ionosphere.PartFoF2 {
		return foF2Hz / 1e6
	}
	return m3000
}
