// Command fit makes the climatologies that the program embeds: it fits short
// series to values of the ITU's numerical maps and tables, and prints how far the
// series are from those values.
package main

import (
	"flag"
	"fmt"
	"io/fs"
	"log"
	"os"
	"time"

	"timeball/align/path/climate"
)

func main() {
	log.SetFlags(0)
	subject := flag.String("of", "", "ionosphere or noise")
	out := flag.String("out", "compact.bin", "file to write")
	flag.Parse()
	read := map[string]func(fs.FS) (climatology, error){"ionosphere": readIonosphere, "noise": readNoise}[*subject]
	reference := os.Getenv("TIMEBALL_ITU")
	switch {
	case read == nil:
		log.Fatal("say -of ionosphere or -of noise")
	case reference == "":
		log.Fatal("set TIMEBALL_ITU to the folder with the ITU's values, as DEVELOPERS.md says")
	}
	if err := run(read, reference, *out); err != nil {
		log.Fatal(err)
	}
}

// climatology is what is fitted: the parts in the order of the file, and how the
// whole compares with what it was fitted to.
type climatology struct {
	parts   []part
	compare func(data []byte) (fmt.Stringer, error)
}

// part is one series and what it is fitted to.
type part struct {
	name   string
	shape  climate.Shape
	sites  []climate.Site
	days   []time.Time
	hours  int // samples of the day
	sample func(layer int, at time.Time, site int) float64
}

func run(read func(fs.FS) (climatology, error), reference, out string) error {
	c, err := read(os.DirFS(reference))
	if err != nil {
		return err
	}
	var data []byte
	for _, p := range c.parts {
		series, err := climate.Fit(p.shape, p.sites, p.days, p.hours, p.sample)
		if err != nil {
			return fmt.Errorf("%s: %w", p.name, err)
		}
		encoded, err := series.Encode()
		if err != nil {
			return fmt.Errorf("%s: %w", p.name, err)
		}
		rms, worst := series.Residual(p.sites, p.days, p.hours, p.sample)
		fmt.Printf("%-17s %6d bytes, residual by layer %.3g RMS (worst %.3g)\n", p.name, len(encoded), rms, worst)
		data = append(data, encoded...)
	}
	difference, err := c.compare(data)
	if err != nil {
		return err
	}
	fmt.Printf("%d bytes; against the maps, over the world, the year and the day: %v\n", len(data), difference)
	return os.WriteFile(out, data, 0o644)
}

// middles are the days that stand for months or seasons, every so many months.
func middles(every int) []time.Time {
	var days []time.Time
	for month := 1; month <= 12; month += every {
		days = append(days, time.Date(2025, time.Month(month), 15, 0, 0, 0, 0, time.UTC))
	}
	return days
}
