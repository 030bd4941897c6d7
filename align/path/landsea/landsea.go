// Package landsea tells land from sea on a grid of a quarter of a degree.
//
// The grid was drawn from the outlines of land at 1:50 million of Natural Earth 4.1, which
// are in the public domain, as the npm package world-atlas 2.0.2 (ISC licence) has them.
// Inland waters are land.
package landsea

import (
	_ "embed"
	"encoding/binary"
	"math"
	"sync"

	"timeball/align/path/geodesic"
)

//go:generate go run ./raster -out mask.bin

//go:embed mask.bin
var packed []byte

// Rows from the south pole, and Columns from 180 degrees west, of the grid.
const Rows, Columns = 720, 1440

// Grid holds which cells are land, row by row.
type Grid []bool

var mask = sync.OnceValue(func() Grid { return unpack(packed) })

// Pack writes a grid as the lengths of its runs, of sea and land in turn, sea first.
func Pack(g Grid) []byte {
	var out []byte
	run, land := uint64(0), false
	for _, c := range g {
		if c != land {
			out = binary.AppendUvarint(out, run)
			run, land = 0, c
		}
		run++
	}
	return binary.AppendUvarint(out, run)
}

// unpack panics when data is not a whole grid: it is embedded.
func unpack(data []byte) Grid {
	g := make(Grid, 0, Rows*Columns)
	for land := false; len(data) > 0; land = !land {
		run, n := binary.Uvarint(data)
		if n <= 0 || run > uint64(Rows*Columns-len(g)) {
			panic("landsea: mask.bin is damaged")
		}
		data = data[n:]
		for range run {
			g = append(g, land)
		}
	}
	if len(g) != Rows*Columns {
		panic("landsea: mask.bin is damaged")
	}
	return g
}

// Land reports whether the cell at a place is land by more than half.
func Land(at geodesic.Point) bool {
	row := int((at.Lat + 90) / 180 * Rows)
	column := int(math.Floor((at.Lon + 180) / 360 * Columns))
	column = (column%Columns + Columns) % Columns
	return mask()[min(Rows-1, max(0, row))*Columns+column]
}

// stepM is less than a cell measures on all paths of long wave.
const stepM = 5e3

// SeaShare is the part of a path from a place, with the azimuth it leaves in, that is over
// sea.
func SeaShare(from geodesic.Point, azimuth, distanceM float64) float64 {
	n := max(1, int(distanceM/stepM))
	sea := 0
	for i := range n {
		at, _ := geodesic.Direct(from, azimuth, (float64(i)+0.5)/float64(n)*distanceM)
		if !Land(at) {
			sea++
		}
	}
	return float64(sea) / float64(n)
}
