package store

import (
	"fmt"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// BenchmarkSeenDrugs reads which drugs the feeds named in 90 days, in the store of a unit of
// 33 beds after a year: 96,000 doses and 12,000 orders among 230,000 facts. It names
// how many times as long the read of all those facts by stay takes, which a list of every
// stay would cost: what is asked once a look of an administrator may cost a part of that.
func BenchmarkSeenDrugs(b *testing.B) {
	for _, engine := range []string{SQLite, Postgres} {
		b.Run(engine, func(b *testing.B) {
			s := openStore(b, engine)
			rows := yearOfDrugs()
			load(b, s, in("stays.csv", staysOf(rows)...))
			load(b, s, file{name: "all.csv", versions: rows})
			stays := make([]string, 0, 2000)
			for _, v := range staysOf(rows) {
				stays = append(stays, v.StayID)
			}
			from := noon.Add(-90 * 24 * time.Hour)
			var took, all time.Duration
			for b.Loop() {
				start := time.Now()
				seen, err := s.SeenDrugs(b.Context(), from)
				must(b, err)
				took += time.Since(start)
				if len(seen) != 62 {
					b.Fatalf("%d drugs", len(seen))
				}
			}
			start := time.Now()
			_, err := s.Versions(b.Context(), stays)
			must(b, err)
			all = time.Since(start)
			b.ReportMetric(took.Seconds()*1000/float64(b.N), "ms/read")
			b.ReportMetric(all.Seconds()*float64(b.N)/took.Seconds(), "times-for-all-facts")
		})
	}
}

// yearOfDrugs are the facts of a year: 2,000 stays with 48 doses, 6 orders and 61 readings each.
func yearOfDrugs() []clinical.Version {
	var out []clinical.Version
	dose := 5.0
	for n := range 2000 {
		stay := fmt.Sprintf("S%d", n)
		begun := -365*24*60 + n*262 // minutes from noon
		at := func(min int) time.Time { return noon.Add(time.Duration(begun+min) * time.Minute) }
		add := func(id string, recorded time.Time, body clinical.Body) {
			out = append(out, version(id+"-"+stay, stay, recorded, body))
		}
		for k := range 6 {
			drug := clinical.Drug{Text: fmt.Sprintf("drug %d", (n*7+k*11)%62)}
			add(fmt.Sprintf("O%d", k), at(60), clinical.Order{Drug: drug, Dose: &dose, DoseUnit: "mg", Route: "oral", StartAt: at(60)})
			for d := range 8 {
				t := at(120 + d*720)
				add(fmt.Sprintf("D%d-%d", k, d), t, clinical.Dose{Drug: drug, GivenAt: t, Dose: &dose, DoseUnit: "mg", Route: "oral"})
			}
		}
		for k := range 61 {
			t := at(k * 95)
			add(fmt.Sprintf("V%d", k), t, clinical.Vitals{TakenAt: t, Systolic: &dose, Position: clinical.Lying})
		}
	}
	return out
}
