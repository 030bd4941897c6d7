package landsea

import (
	"math"
	"testing"

	"timeball/align/path/geodesic"
)

// Places whose nature any atlas shows, cells away from a coast.
func TestLand(t *testing.T) {
	for _, tt := range []struct {
		lat, lon float64
		land     bool
	}{
		{50.0, 9.0, true}, {52.0, -1.5, true}, {40.7, -105.0, true}, {37.4, 140.5, true}, {-25, 135, true}, {-89, 0, true}, {66.5, 179.0, true},
		{56.0, 3.0, false}, {50.0, -4.0, false}, {0, 0, false}, {40, -40, false}, {38, 135, false}, {-60, 180, false}, {89, 0, false}, {42, 35, false},
	} {
		if got := Land(geodesic.Point{Lat: tt.lat, Lon: tt.lon}); got != tt.land {
			t.Errorf("%g, %g: land %v, want %v", tt.lat, tt.lon, got, tt.land)
		}
	}
	// Land is 29.2 % of the earth's surface (148.94 of 510.07 million km², CIA World
	// Factbook), inland waters but not Antarctic shelves of ice among it.
	land, all := 0.0, 0.0
	for row := range Rows {
		weight := math.Cos((float64(row)+0.5)/Rows*math.Pi - math.Pi/2)
		for column := range Columns {
			all += weight
			if mask()[row*Columns+column] {
				land += weight
			}
		}
	}
	if share := land / all; math.Abs(share-0.292) > 0.006 {
		t.Errorf("%.2f %% of the earth is land", 100*share)
	}
}

// Known paths of long-wave stations, their sea by a pair of compasses on a school atlas.
func TestSeaShare(t *testing.T) {
	for _, tt := range []struct {
		name            string
		from, to        geodesic.Point
		least, greatest float64
	}{
		{"Mainflingen to Braunschweig", geodesic.Point{Lat: 50.016, Lon: 9.011}, geodesic.Point{Lat: 52.29, Lon: 10.46}, 0, 0},
		{"Mainflingen to Cornwall, along the Channel", geodesic.Point{Lat: 50.016, Lon: 9.011}, geodesic.Point{Lat: 50.2, Lon: -5.5}, 0.3, 0.5},
		{"Anthorn to Stavanger, over the North Sea", geodesic.Point{Lat: 54.911, Lon: -3.279}, geodesic.Point{Lat: 58.9, Lon: 5.7}, 0.68, 0.85},
		{"Anthorn to the Skagerrak", geodesic.Point{Lat: 54.911, Lon: -3.279}, geodesic.Point{Lat: 58, Lon: 9}, 0.7, 0.9},
		{"Fort Collins to Boston", geodesic.Point{Lat: 40.678, Lon: -105.047}, geodesic.Point{Lat: 42.4, Lon: -71.1}, 0, 0.02},
		{"Ohtakadoya-yama to Hawaii", geodesic.Point{Lat: 37.3725, Lon: 140.8489}, geodesic.Point{Lat: 21, Lon: -157.5}, 0.97, 1},
	} {
		distanceM, azimuth, _ := geodesic.Inverse(tt.from, tt.to)
		if got := SeaShare(tt.from, azimuth, distanceM); got < tt.least || got > tt.greatest {
			t.Errorf("%s: %.2f of it is sea, want %g to %g", tt.name, got, tt.least, tt.greatest)
		}
	}
}

func TestPack(t *testing.T) {
	g := make(Grid, Rows*Columns)
	g[0], g[Rows*Columns-1], g[1000] = true, true, true
	got := unpack(Pack(g))
	for i := range g {
		if got[i] != g[i] {
			t.Fatalf("cell %d is another", i)
		}
	}
}
