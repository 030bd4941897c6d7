package marker

import (
	"testing"
)

func BenchmarkDetector(b *testing.B) {
	s := shape{rate: 48000, width: 0.1, couple: 5}
	x := s.recording(60, regular(s.rate, 1000.3, 59, 20), 0.5, 0.5e-3, 1)
	for b.Loop() {
		d := NewDetector(Config{Rate: s.rate})
		if got := process(d, x, 1024); len(got) < 58 {
			b.Fatal(len(got))
		}
	}
	n := float64(b.N) * float64(len(x))
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/n, "ns/sample")
	b.ReportMetric(n/b.Elapsed().Seconds()/1e6, "Msamples/s")
}

func BenchmarkNoise(b *testing.B) {
	x := shape{rate: 48000, width: 0.1}.recording(60, nil, 0.5, 1e-2, 1)
	for b.Loop() {
		process(NewDetector(Config{Rate: 48000}), x, 1024)
	}
	n := float64(b.N) * float64(len(x))
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/n, "ns/sample")
}

func BenchmarkLearn(b *testing.B) {
	for _, s := range shapes(48000)[:4] {
		b.Run(s.name, func(b *testing.B) {
			x := s.recording(8, regular(s.rate, 1000.3, 7, 20), 0.5, 0.5e-3, 1)
			for b.Loop() {
				process(NewDetector(Config{Rate: s.rate}), x, 1024)
			}
		})
	}
}
