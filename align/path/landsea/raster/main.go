// Command raster draws the grid of land and sea that the program embeds from outlines of
// land: the file land-50m.json of the npm package world-atlas, which TIMEBALL_LAND names.
package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"log"
	"math"
	"os"
	"slices"

	"timeball/align/path/landsea"
)

func main() {
	log.SetFlags(0)
	out := flag.String("out", "mask.bin", "file to write")
	flag.Parse()
	name := os.Getenv("TIMEBALL_LAND")
	if name == "" {
		log.Fatal("set TIMEBALL_LAND to the outlines of land, as DEVELOPERS.md says")
	}
	data, err := os.ReadFile(name)
	if err != nil {
		log.Fatal(err)
	}
	segments, err := outlines(data)
	if err != nil {
		log.Fatalf("%s: %v", name, err)
	}
	packed := landsea.Pack(draw(segments))
	if err := os.WriteFile(*out, packed, 0o644); err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%d segments, %d bytes\n", len(segments), len(packed))
}

// segment is a piece of an outline, degrees.
type segment struct{ lon, lat [2]float64 }

// outlines reads a topology (the TopoJSON format) and lists all pieces of all rings.
func outlines(data []byte) ([]segment, error) {
	var topology struct {
		Transform struct{ Scale, Translate [2]float64 }
		Arcs      [][][2]int
		Objects   struct {
			Land struct {
				Geometries []struct {
					Type string
					Arcs [][][]int
				}
			}
		}
	}
	if err := json.Unmarshal(data, &topology); err != nil {
		return nil, err
	}
	t := topology.Transform
	arcs := make([][][2]float64, len(topology.Arcs))
	for i, deltas := range topology.Arcs {
		var at [2]int
		for _, d := range deltas {
			at[0], at[1] = at[0]+d[0], at[1]+d[1]
			arcs[i] = append(arcs[i], [2]float64{t.Translate[0] + t.Scale[0]*float64(at[0]), t.Translate[1] + t.Scale[1]*float64(at[1])})
		}
	}
	var all []segment
	for _, g := range topology.Objects.Land.Geometries {
		if g.Type != "MultiPolygon" {
			return nil, fmt.Errorf("a %s: several polygons are expected", g.Type)
		}
		for _, polygon := range g.Arcs {
			for _, ring := range polygon {
				for _, i := range ring {
					arc := arcs[max(i, ^i)] // which of its ends is the first does not matter
					for k := 1; k < len(arc); k++ {
						all = append(all, between(arc[k-1], arc[k])...)
					}
				}
			}
		}
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("no land in it")
	}
	return all, nil
}

// between is the piece of an outline from a to b, or both of its halves when it crosses the
// meridian of 180 degrees.
func between(a, b [2]float64) []segment {
	turn := 360 * math.Round((a[0]-b[0])/360)
	if turn == 0 {
		return []segment{{[2]float64{a[0], b[0]}, [2]float64{a[1], b[1]}}}
	}
	edge := math.Copysign(180, turn)
	at := a[1]
	if d := b[0] + turn - a[0]; d != 0 {
		at += (edge - a[0]) / d * (b[1] - a[1])
	}
	return []segment{{[2]float64{a[0], edge}, [2]float64{a[1], at}}, {[2]float64{-edge, b[0]}, [2]float64{at, b[1]}}}
}

// beginsLand reports whether a line of latitude begins in land at 180 degrees west: whether
// outlines cross that meridian an odd number of times from there to the north pole, which
// is sea.
func beginsLand(segments []segment, lat float64) (land bool) {
	for _, s := range segments {
		if s.lon[0] == -180 && s.lat[0] > lat {
			land = !land
		}
		if s.lon[1] == -180 && s.lat[1] > lat {
			land = !land
		}
	}
	return land
}

// draw fills a grid: a cell is land when most of some lines along it are, by the rule of
// even and odd.
func draw(segments []segment) landsea.Grid {
	const lines = 5
	g := make(landsea.Grid, landsea.Rows*landsea.Columns)
	for row := range landsea.Rows {
		var covered [landsea.Columns]float64
		for line := range lines {
			lat := -90 + 180*(float64(row)+(float64(line)+0.5)/lines)/landsea.Rows
			var cuts []float64 // in cells
			for _, s := range segments {
				if (s.lat[0] > lat) != (s.lat[1] > lat) {
					lon := s.lon[0] + (lat-s.lat[0])/(s.lat[1]-s.lat[0])*(s.lon[1]-s.lon[0])
					cuts = append(cuts, (lon+180)/360*landsea.Columns)
				}
			}
			if beginsLand(segments, lat) {
				cuts = append(cuts, 0)
			}
			if len(cuts)%2 == 1 {
				cuts = append(cuts, landsea.Columns)
			}
			slices.Sort(cuts)
			for i := 0; i+1 < len(cuts); i += 2 {
				for c := int(cuts[i]); c < landsea.Columns && float64(c) < cuts[i+1]; c++ {
					covered[c] += math.Min(float64(c+1), cuts[i+1]) - math.Max(float64(c), cuts[i])
				}
			}
		}
		for c, share := range covered {
			g[row*landsea.Columns+c] = share > lines/2.0
		}
	}
	return g
}
