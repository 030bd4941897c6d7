package simulate

import (
	"io"
	"testing"

	"timeball/capture"
	"timeball/capture/station"
)

// Each benchmark prints seconds of recording made in a second, on one core.
func BenchmarkSource(b *testing.B) {
	wwv, _ := station.Find("wwv")
	chu, _ := station.Find("chu")
	moderate, err := Channel("mid-moderate", 7e-3)
	if err != nil {
		b.Fatal(err)
	}
	base := Config{Seconds: 60, Station: wwv, SNRdB: 6, Paths: moderate, Marker: &Marker{NoiseRMS: 1e-4}, SoundCard: SoundCard{NoiseRMS: 1e-4}}
	for _, tt := range []struct {
		name   string
		change func(*Config)
	}{
		{"am-48k", func(*Config) {}},
		{"am-8k", func(c *Config) { c.Rate = 8000 }},
		{"am-192k", func(c *Config) { c.Rate = 192000 }},
		{"am-48k-marks-only", func(c *Config) { c.Programme = MarksOnly }},
		{"linear-12k-receiver-only", func(c *Config) {
			c.Rate, c.Marker, c.Receiver.Detector, c.Programme = 12000, nil, Linear, MarksOnly
			c.Paths = []Path{{DelaySeconds: 7e-3}}
		}},
		{"chu-ssb-48k", func(c *Config) { c.Station, c.Receiver.Detector = chu, SSB }},
		{"new-only", func(c *Config) { c.Seconds = 0.1 }},
	} {
		b.Run(tt.name, func(b *testing.B) {
			c := base
			tt.change(&c)
			b.ReportAllocs()
			var block capture.Block
			for i := range b.N {
				c.Seed = uint64(i)
				s, err := New(c)
				if err != nil {
					b.Fatal(err)
				}
				for err == nil {
					err = s.Read(&block)
				}
				if err != io.EOF {
					b.Fatal(err)
				}
			}
			b.ReportMetric(c.Seconds*float64(b.N)/b.Elapsed().Seconds(), "s/s")
		})
	}
}
