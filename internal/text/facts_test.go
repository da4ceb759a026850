package text_test

import (
	"slices"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

func TestWhatIsNotBelievedIsSaidWithItsFigures(t *testing.T) {
	p := clinical.DefaultPolicy().Plausible
	figure := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		v    clinical.Vitals
		want []string
	}{
		{clinical.Vitals{Systolic: figure(140), Diastolic: figure(80), HeartRate: figure(300.54)}, []string{"pulse 300.5 is outside 20 to 300"}},
		{clinical.Vitals{Systolic: figure(301), Diastolic: figure(9.96)}, []string{
			"systolic 301 is outside 40 to 300", "diastolic 10 is outside 10 to 200",
		}},
		{clinical.Vitals{Systolic: figure(80), Diastolic: figure(90)}, []string{"systolic 80 is not above diastolic 90"}},
		{clinical.Vitals{Systolic: figure(140), Diastolic: figure(80)}, nil},
	} {
		if got := text.Doubts(trends.Believe("r", c.v, p).Implausible); !slices.Equal(got, c.want) {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
