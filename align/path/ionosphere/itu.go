package ionosphere

import (
	"bufio"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"timeball/align/path/itu"
)

// ITUMaps are the numerical maps of foF2 and M(3000)F2 that Rec. ITU-R P.1239
// evaluates (Jones and Gallet's representation), from coefficient text files.
type ITUMaps struct{ months [12]ituMonth }

type ituMonth struct{ f2, m3 ituMap }

// ituMap holds one quantity for one month.
type ituMap struct {
	lastOfOrder []int // index of the last geographic function of each longitude order
	harmonics   int   // of the day
	// coefficients[level][k] are a0 b1 a1 b2 a2 ..., level 0 for R12 0, 1 for R12 100.
	coefficients [2][][]float64
}

// ReadITUMaps reads the ITU's files COEFF01W.txt to COEFF12W.txt as they are
// published, or a shorter form of the same, f2-01.txt to f2-12.txt. A line of such
// a file is "F2 R12 k a0 b1 a1 b2 a2 ..." or the same with M3; "@F2" and "@M3"
// lines list the last k of each longitude order and the number of harmonics;
// "#" starts a comment.
func ReadITUMaps(dir fs.FS) (*ITUMaps, error) {
	if itu.Published(dir) {
		return readPublished(dir)
	}
	m := new(ITUMaps)
	for i := range m.months {
		name := fmt.Sprintf("f2-%02d.txt", i+1)
		f, err := dir.Open(name)
		if err != nil {
			return nil, fmt.Errorf("ionosphere maps: %w; the folder must hold COEFF01W.txt to COEFF12W.txt, or f2-01.txt to f2-12.txt", err)
		}
		m.months[i], err = readITUMonth(f)
		f.Close()
		if err != nil {
			return nil, fmt.Errorf("ionosphere maps: %s: %w", name, err)
		}
	}
	return m, nil
}

// The last geographic function of each longitude order, and the harmonics of the
// day (Rec. ITU-R P.1239, numerical maps).
var (
	ordersF2 = []int{11, 35, 53, 63, 67, 69, 71, 73, 75}
	ordersM3 = []int{6, 22, 34, 40, 44, 46, 48}
)

const harmonicsF2, harmonicsM3 = 6, 4

// readPublished reads arrays xf2(13,76,2) and xfm3(9,49,2) of each month.
func readPublished(dir fs.FS) (*ITUMaps, error) {
	m := new(ITUMaps)
	for i := range m.months {
		month := &m.months[i]
		month.f2 = ituMap{lastOfOrder: ordersF2, harmonics: harmonicsF2}
		month.m3 = ituMap{lastOfOrder: ordersM3, harmonics: harmonicsM3}
		arrays, err := itu.Arrays(dir, i+1, map[string]int{"xf2": month.f2.size(), "xfm3": month.m3.size()})
		if err != nil {
			return nil, fmt.Errorf("ionosphere maps: %w", err)
		}
		month.f2.fill(arrays["xf2"])
		month.m3.fill(arrays["xfm3"])
	}
	return m, nil
}

// size is how many coefficients there are of both levels.
func (m *ituMap) size() int {
	return len(m.coefficients) * (m.lastOfOrder[len(m.lastOfOrder)-1] + 1) * (1 + 2*m.harmonics)
}

// fill takes all coefficients: by level, function and harmonic, the last fastest.
func (m *ituMap) fill(all []float64) {
	each := 1 + 2*m.harmonics
	for level := range m.coefficients {
		half := all[level*len(all)/2 : (level+1)*len(all)/2]
		for c := range slices.Chunk(half, each) {
			m.coefficients[level] = append(m.coefficients[level], c)
		}
	}
}

func readITUMonth(r io.Reader) (ituMonth, error) {
	var m ituMonth
	lines := bufio.NewScanner(r)
	for number := 1; lines.Scan(); number++ {
		words := strings.Fields(lines.Text())
		if len(words) == 0 || strings.HasPrefix(words[0], "#") {
			continue
		}
		into := &m.f2
		if strings.HasSuffix(words[0], "M3") {
			into = &m.m3
		}
		if err := into.add(words); err != nil {
			return m, fmt.Errorf("line %d: %w", number, err)
		}
	}
	if err := lines.Err(); err != nil {
		return m, err
	}
	for _, quantity := range []ituMap{m.f2, m.m3} {
		for level, c := range quantity.coefficients {
			if n := len(quantity.lastOfOrder); n == 0 || len(c) != quantity.lastOfOrder[n-1]+1 {
				return m, fmt.Errorf("sunspot level %d is incomplete: %d geographic functions", 100*level, len(c))
			}
		}
	}
	return m, nil
}

// add takes one line's words into the map.
func (m *ituMap) add(words []string) error {
	numbers := make([]float64, len(words)-1)
	for i, w := range words[1:] {
		v, err := strconv.ParseFloat(w, 64)
		if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
			return fmt.Errorf("%q is no number", w)
		}
		numbers[i] = v
	}
	switch words[0] {
	case "@F2", "@M3":
		if len(numbers) < 2 {
			return fmt.Errorf("%s needs the limits of the orders and the number of harmonics", words[0])
		}
		previous := -1
		for i, v := range numbers[:len(numbers)-1] {
			// Every order above 0 has pairs, so its count is even; the last order
			// may be repeated to fill the line.
			last := int(v)
			if float64(last) != v || last < previous || last > 1000 || i == 0 && last < 0 || i > 0 && (last-previous)%2 != 0 {
				return fmt.Errorf("limit %g of a longitude order is out of sequence", v)
			}
			if last > previous {
				m.lastOfOrder = append(m.lastOfOrder, last)
			}
			previous = last
		}
		h := numbers[len(numbers)-1]
		if h != math.Trunc(h) || h < 1 || h > 24 {
			return fmt.Errorf("%g harmonics of the day", h)
		}
		m.harmonics = int(h)
		return nil
	case "F2", "M3":
		if m.harmonics == 0 {
			return fmt.Errorf("coefficients before the @%s line", words[0])
		}
		if len(numbers) != 2+1+2*m.harmonics {
			return fmt.Errorf("%d numbers, want %d", len(numbers), 2+1+2*m.harmonics)
		}
		level := 0
		switch numbers[0] {
		case 0:
		case 100:
			level = 1
		default:
			return fmt.Errorf("sunspot level %g, want 0 or 100", numbers[0])
		}
		if int(numbers[1]) != len(m.coefficients[level]) {
			return fmt.Errorf("function %g out of sequence", numbers[1])
		}
		m.coefficients[level] = append(m.coefficients[level], numbers[2:])
		return nil
	}
	return fmt.Errorf("unknown quantity %q", words[0])
}

// At gives the maps of t's month at its hour; r12 interpolates linearly between
// the maps for 0 and 100 and is capped at 160.
func (m *ITUMaps) At(t time.Time, r12 float64) F2Map {
	t = t.UTC()
	hours := float64(t.Hour()) + float64(t.Minute())/60 + float64(t.Second())/3600
	month := &m.months[t.Month()-1]
	return &ituSnapshot{month.f2.at(hours, r12), month.m3.at(hours, r12)}
}

// ituSnapshot is a month's maps at one hour.
type ituSnapshot struct{ f2, m3 ituInstant }

func (s *ituSnapshot) F2(p *Place) (foF2Hz, m3000 float64) {
	return 1e6 * s.f2.value(p), s.m3.value(p)
}

// ituInstant has one factor for each geographic function.
type ituInstant struct {
	lastOfOrder []int
	factors     []float64
}

func (m *ituMap) at(hours, r12 float64) ituInstant {
	share := min(r12, maxSunspots) / 100
	angle := (15*hours - 180) * degree
	factors := make([]float64, len(m.coefficients[0]))
	for k := range factors {
		low, high := m.coefficients[0][k], m.coefficients[1][k]
		sum := low[0] + share*(high[0]-low[0])
		for j := 1; j <= m.harmonics; j++ {
			s, c := math.Sincos(float64(j) * angle)
			sum += s*(low[2*j-1]+share*(high[2*j-1]-low[2*j-1])) + c*(low[2*j]+share*(high[2*j]-low[2*j]))
		}
		factors[k] = sum
	}
	return ituInstant{m.lastOfOrder, factors}
}

func (m *ituInstant) value(p *Place) float64 {
	sum, power := 0.0, 1.0
	for k := 0; k <= m.lastOfOrder[0]; k++ {
		sum += power * m.factors[k]
		power *= p.SinModip
	}
	cosPower := 1.0
	for order := 1; order < len(m.lastOfOrder); order++ {
		cosPower *= p.cosLat
		s, c := math.Sincos(float64(order) * p.Lon * degree)
		power = cosPower
		for k := m.lastOfOrder[order-1] + 1; k < m.lastOfOrder[order]; k += 2 {
			sum += power * (c*m.factors[k] + s*m.factors[k+1])
			power *= p.SinModip
		}
	}
	return sum
}
