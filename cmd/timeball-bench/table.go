package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

const legend = `Errors, percentiles and u in microseconds; path and receiver delay given as they are.
  wrong     a fix without a station, or a station named that is not on the air (whose path
            is taken to be 10 ms)
  slip      further than a quarter of the tone's period, from where the next false peak of
            either polarity is nearer, both from the earliest path and from the paths' mean
  rms-mean  RMS error had the power-weighted mean of the paths been given as the delay
  /CRB      RMS error over the coherent Cramer-Rao bound (rate known, minute marks left out)
  held      share of the 95 % intervals that hold the truth, and the 95 % band of that
            share (Clopper and Pearson); < or > where the band lies outside 93 to 98 %
  e/o/m     fixes timed by the earliest arrival, the only one, the power-weighted mean
  first     median and 95th percentile of the time to the first fix, and share within 20 s`

var columns = fmt.Sprintf("%-46s %4s %5s %5s %4s | %8s %8s %8s %8s %8s %8s %8s | %5s | %-19s | %11s | %-14s | %5s",
	"class", "n", "fixes", "wrong", "slip", "bias", "rms", "p50", "p95", "p99", "rms-mean", "u", "/CRB", "held", "e/o/m", "first", "s")

func (s summary) String() string {
	first := ""
	if !math.IsNaN(s.firstFix) {
		first = fmt.Sprintf("%2.0f %2.0f s %3.0f %%", s.firstFix, s.firstFix95, 100*s.in20)
	}
	fixes := "-"
	if len(s.outcomes) > 0 {
		fixes = fmt.Sprintf("%.0f%%", 100*float64(s.fixes)/float64(len(s.outcomes)))
	}
	return fmt.Sprintf("%-46s %4d %5s %5d %4d | %8s %8s %8s %8s %8s %8s %8s | %5s | %-19s | %3d/%3d/%3d | %-14s | %5.2f",
		s.name, len(s.outcomes), fixes, s.wrong, s.slips,
		micro(s.bias), micro(s.rms), micro(s.p50), micro(s.p95), micro(s.p99), micro(s.rmsMean), micro(s.u),
		number(s.rms/s.bound, "%.2f"), coverage(s.held, s.timed), s.earliest, s.only, s.mean, first, s.s)
}

func number(x float64, format string) string {
	if math.IsNaN(x) {
		return "-"
	}
	return fmt.Sprintf(format, x)
}

func micro(x float64) string { return number(x*1e6, "%.2f") }

// coverage says how many of the intervals hold the truth, with its band.
func coverage(held, n int) string {
	if n == 0 {
		return "-"
	}
	lo, hi := binomialBand(held, n)
	mark := " "
	switch {
	case hi < 0.93:
		mark = "<"
	case lo > 0.98:
		mark = ">"
	}
	return fmt.Sprintf("%s%5.1f (%4.1f-%5.1f)", mark, 100*float64(held)/float64(n), 100*lo, 100*hi)
}

// binomialBand is the exact 95 % interval of a probability after k of n (Clopper
// and Pearson, Biometrika 26, 1934).
func binomialBand(k, n int) (lo, hi float64) {
	hi = 1
	if k > 0 {
		lo = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(0.025)
	}
	if k < n {
		hi = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(0.975)
	}
	return lo, hi
}

// printFalse sums up what was stated without a station, for the families that were
// tuned with and for those kept out of it, and for both.
func printFalse(w io.Writer, all []summary) {
	for _, half := range []string{openHalf, keptHalf, "free"} {
		wrong, n, took := 0, 0, 0.0
		for _, s := range all {
			if strings.HasPrefix(s.name, half) {
				wrong, n, took = wrong+s.wrong, n+len(s.outcomes), took+s.s*float64(len(s.outcomes))
			}
		}
		if n > 0 {
			limit := 1.0
			if wrong < n {
				limit = distuv.Beta{Alpha: float64(wrong + 1), Beta: float64(n - wrong)}.Quantile(0.95)
			}
			fmt.Fprintf(w, "%s: %d fixes or offsets without a station in %d recordings, rate at most %.2f %% (95 %% upper limit), %.1f s each\n", half, wrong, n, 100*limit, took/float64(n))
		}
	}
}

var header = []string{
	"class", "recordings", "fixes", "wrong", "slips", "bias_us", "rms_us", "p50_us", "p95_us", "p99_us", "rms_to_mean_path_us", "mean_u_us",
	"crb_us", "timed", "held", "held_low", "held_high", "earliest", "only", "mean", "first_fix_s", "first_fix_95_s", "first_fix_in_20_s",
}

func (s summary) row() []string {
	us := func(x float64) string { return csvNumber(x * 1e6) }
	lo, hi := math.NaN(), math.NaN()
	if s.timed > 0 {
		lo, hi = binomialBand(s.held, s.timed)
	}
	row := []string{s.name}
	for _, n := range []int{len(s.outcomes), s.fixes, s.wrong, s.slips} {
		row = append(row, fmt.Sprint(n))
	}
	row = append(row, us(s.bias), us(s.rms), us(s.p50), us(s.p95), us(s.p99), us(s.rmsMean), us(s.u), us(s.bound),
		fmt.Sprint(s.timed), fmt.Sprint(s.held), csvNumber(lo), csvNumber(hi), fmt.Sprint(s.earliest), fmt.Sprint(s.only), fmt.Sprint(s.mean),
		csvNumber(s.firstFix), csvNumber(s.firstFix95), csvNumber(s.in20))
	return row
}

// csvNumber leaves empty what is not defined.
func csvNumber(x float64) string {
	if math.IsNaN(x) {
		return ""
	}
	return fmt.Sprintf("%.4g", x)
}
