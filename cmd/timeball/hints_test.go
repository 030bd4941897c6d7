package main

import (
	"strings"
	"testing"
	"time"

	"timeball/align"
	"timeball/capture"
	"timeball/capture/station"
)

// saying is a display that keeps what is said.
type saying struct{ said chan string }

func (d saying) Second(align.Second) {}
func (d saying) Say(message string)  { d.said <- message }
func (d saying) Typed(string)        {}
func (d saying) Aim(float64)         {}
func (d saying) Afar()               {}
func (d saying) End()                {}

// standing is a measurement that has a fix.
type standing struct{}

func (standing) Process(*capture.Block) (align.Second, bool) { return align.Second{}, false }
func (standing) Fix() align.Fix                              { return align.Fix{} }
func (standing) Now() align.Fix                              { return align.Fix{} }

// Each hint is given once: when the chirps come, what they told, what to receive next.
func TestHints(t *testing.T) {
	wwv, _ := station.Find("wwv")
	asked := 0
	h := &hints{stations: []*station.Station{wwv}, advise: func(align.Fix) *align.Advice {
		asked++
		return &align.Advice{Station: "chu", CarrierHz: 7.85e6, HalfNow: 0.9e-3, HalfThen: 0.3e-3}
	}}
	show := saying{make(chan string, 100)}
	begin := time.Date(2026, 3, 14, 5, 3, 0, 0, time.UTC)
	told := &align.Sounding{At: begin.Add(5 * time.Minute), Arrivals: []align.Arrival{{}, {Excess: 0.49e-3, Level: -3}}}
	for i := range 420 {
		at := begin.Add(time.Duration(i) * time.Second)
		st := align.StationState{ID: "wwv"}
		if i > 370 {
			st.Sounding = told
		}
		h.second(&align.Second{T: float64(i), At: &at, Verdict: align.Found, Stations: []align.StationState{st}}, standing{}, show)
	}
	for _, want := range []string{"WWV sends chirps in minute 08", "advice: ", "those of 05:08 UTC came by 2 ways"} {
		n := 0
		var all []string
		deadline := time.After(10 * time.Second)
		for n == 0 {
			select {
			case m := <-show.said:
				all = append(all, m)
				if strings.Contains(m, want) {
					n++
				}
			case <-deadline:
				t.Fatalf("%q is not said", want)
			}
		}
		for _, m := range all { // for the others to find
			if !strings.Contains(m, want) {
				show.said <- m
			}
		}
	}
	if len(show.said) > 0 || asked != 1 {
		t.Errorf("%d hints more, advice asked for %d times", len(show.said), asked)
	}
}
