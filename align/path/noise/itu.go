package noise

import (
	"bufio"
	"fmt"
	"io"
	"io/fs"
	"math"
	"strconv"
	"strings"
	"time"

	"timeball/align/path/geodesic"
	"timeball/align/path/itu"
)

// ITUMaps are the numerical maps of atmospheric noise that Rec. ITU-R P.372
// evaluates, from coefficient text files, one for each season.
type ITUMaps struct{ seasons [4]ituSeason }

const (
	blocks      = 6  // of four hours
	hemispheres = 12 // rows for the blocks of the north, then of the south
)

// ituSeason holds one season's coefficients under the names of the files' rows.
type ituSeason struct {
	p [blocks][16][29]float64    // longitude and latitude harmonics; row 15 is constant
	a [blocks][2]float64         // mean and slope with latitude
	m [hemispheres][14]float64   // frequency dependence of the median
	u [5][hemispheres][5]float64 // and of the deciles
}

var (
	seasonFiles = [4]string{"noise-djf.txt", "noise-mam.txt", "noise-jja.txt", "noise-son.txt"}
	// seasonMonths are those whose published files hold the season's map first.
	seasonMonths = [4]int{1, 3, 6, 9}
)

// ReadITUMaps reads the ITU's files COEFF01W.txt, 03, 06 and 09 as they are
// published, or a shorter form of the same, noise-djf.txt, mam, jja and son. A row is
// a letter, its indices and its numbers: "P block k" with 29 numbers, "A block"
// with 2, "M row" with 14, "U j row" with 5; "#" starts a comment.
func ReadITUMaps(dir fs.FS) (*ITUMaps, error) {
	m := new(ITUMaps)
	if itu.Published(dir) {
		return m, m.readPublished(dir)
	}
	for i, name := range seasonFiles {
		f, err := dir.Open(name)
		if err != nil {
			return nil, fmt.Errorf("noise maps: %w; the folder must hold COEFF01W.txt to COEFF12W.txt, or noise-djf.txt, mam, jja and son", err)
		}
		err = m.seasons[i].read(f)
		f.Close()
		if err != nil {
			return nil, fmt.Errorf("noise maps: %s: %w", name, err)
		}
	}
	return m, nil
}

// readPublished reads arrays fakp(29,16,6), fakabp(2,6), fam(14,12) and
// dud(5,12,5) of each season.
func (m *ITUMaps) readPublished(dir fs.FS) error {
	for i, month := range seasonMonths {
		s := &m.seasons[i]
		into := map[string][][]float64{}
		add := func(name string, row []float64) { into[name] = append(into[name], row) }
		for b := range s.p {
			for k := range s.p[b] {
				add("fakp", s.p[b][k][:])
			}
			add("fakabp", s.a[b][:])
		}
		for row := range s.m {
			add("fam", s.m[row][:])
		}
		for j := range s.u {
			for row := range s.u[j] {
				add("dud", s.u[j][row][:])
			}
		}
		wanted := map[string]int{}
		for name, rows := range into {
			wanted[name] = len(rows) * len(rows[0])
		}
		arrays, err := itu.Arrays(dir, month, wanted)
		if err != nil {
			return fmt.Errorf("noise maps: %w", err)
		}
		for name, rows := range into {
			for r, row := range rows {
				copy(row, arrays[name][r*len(row):])
			}
		}
	}
	return nil
}

func (s *ituSeason) read(r io.Reader) error {
	rows := 0
	lines := bufio.NewScanner(r)
	for number := 1; lines.Scan(); number++ {
		words := strings.Fields(lines.Text())
		if len(words) == 0 || strings.HasPrefix(words[0], "#") {
			continue
		}
		if err := s.readRow(words); err != nil {
			return fmt.Errorf("line %d: %w", number, err)
		}
		rows++
	}
	if want := blocks*16 + blocks + hemispheres + 5*hemispheres; lines.Err() == nil && rows != want {
		return fmt.Errorf("%d rows, want %d", rows, want)
	}
	return lines.Err()
}

func (s *ituSeason) readRow(words []string) error {
	index := func(word, limit int) (int, error) {
		if word >= len(words) {
			return 0, fmt.Errorf("row %q ends early", words[0])
		}
		i, err := strconv.Atoi(words[word])
		if err != nil || i < 0 || i >= limit {
			return 0, fmt.Errorf("index %q is not 0 to %d", words[word], limit-1)
		}
		return i, nil
	}
	var into []float64
	indices := 1
	switch words[0] {
	case "P":
		indices = 2
		block, err := index(1, blocks)
		if err != nil {
			return err
		}
		k, err := index(2, 16)
		if err != nil {
			return err
		}
		into = s.p[block][k][:]
	case "A":
		block, err := index(1, blocks)
		if err != nil {
			return err
		}
		into = s.a[block][:]
	case "M":
		row, err := index(1, hemispheres)
		if err != nil {
			return err
		}
		into = s.m[row][:]
	case "U":
		indices = 2
		j, err := index(1, 5)
		if err != nil {
			return err
		}
		row, err := index(2, hemispheres)
		if err != nil {
			return err
		}
		into = s.u[j][row][:]
	default:
		return fmt.Errorf("unknown row %q", words[0])
	}
	numbers := words[1+indices:]
	if len(numbers) != len(into) {
		return fmt.Errorf("row %s has %d numbers, want %d", words[0], len(numbers), len(into))
	}
	for i, w := range numbers {
		v, err := strconv.ParseFloat(w, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%q is no number", w)
		}
		into[i] = v
	}
	return nil
}

// Atmospheric implements Maps: the season of t, the block of four hours of local
// time and the next, mixed by the time since the block began.
func (m *ITUMaps) Atmospheric(p geodesic.Point, t time.Time, localHours, frequencyHz float64) Figure {
	season := &m.seasons[int(t.UTC().Month())%12/3]
	block := int(localHours/4) % blocks
	here := season.figure(p, block, frequencyHz)
	next := season.figure(p, (block+1)%blocks, frequencyHz)
	share := math.Mod(localHours, 4) / 4
	// Median and deciles are each mixed as powers.
	mix := func(a, b float64) float64 {
		return 10 * math.Log10((1-share)*math.Pow(10, a/10)+share*math.Pow(10, b/10))
	}
	return Figure{
		mix(here.MedianDB, next.MedianDB),
		mix(here.UpperDB, next.UpperDB),
		mix(here.LowerDB, next.LowerDB),
	}
}

// figure evaluates one block of four hours.
func (s *ituSeason) figure(p geodesic.Point, block int, frequencyHz float64) Figure {
	lat, lon := p.Lat*degree, p.Lon*degree
	if lon < 0 {
		lon += 2 * math.Pi
	}
	latitude := lat + math.Pi/2
	oneMHz := s.a[block][0] + s.a[block][1]*latitude
	for j := range 29 {
		z := s.p[block][15][j]
		for k := range 15 {
			z += math.Sin(float64(k+1)*lon/2) * s.p[block][k][j]
		}
		oneMHz += math.Sin(float64(j+1)*latitude) * z
	}
	row := block
	if p.Lat < 0 {
		row += blocks
	}
	x := math.Log10(frequencyHz / 1e6)
	u := (8*math.Exp2(x) - 11) / 4
	const u0 = -0.75 // of 1 MHz
	pz, px := s.m[row][:7], s.m[row][7:]
	median := oneMHz*(2-horner(u0, pz)) - horner(u0, px)
	median = median*horner(u, pz) + horner(u, px)
	x = min(x, math.Log10(20))
	return Figure{median, horner(x, s.u[0][row][:]), horner(x, s.u[1][row][:])}
}

// horner evaluates a polynomial whose leading coefficient comes first.
func horner(x float64, c []float64) float64 {
	sum := 0.0
	for _, a := range c {
		sum = sum*x + a
	}
	return sum
}
