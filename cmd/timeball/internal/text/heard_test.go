package text

import "testing"

func TestHeardInstead(t *testing.T) {
	for want, c := range map[string][2][]string{
		"HLA is not heard; WWV is: start again with --station wwv":                              {{"hla"}, {"wwv"}},
		"BPM, CHU and HLA are not heard; WWV and WWVH are: start again with --station wwv,wwvh": {{"bpm", "chu", "hla"}, {"wwv", "wwvh"}},
	} {
		if got := HeardInstead(c[0], c[1]); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
