package webtest

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/testdb/teststore"
)

// What a feed may send as a name, a place, a drug or an identity.
const (
	HostileID   = "ID-שלום-"
	HostileUnit = "4W דרום"
)

// Hostile is a text of a feed that is 3,000 characters long without a space, is written
// from right to left in part, and turns what follows.
func Hostile(what string) string {
	return what + " שלום \u202e" + strings.Repeat("W", 3000)
}

// PutHostile gives the patient of stay S108 such a name, bed, drugs and a fall, and puts
// another one on a unit of such a name. It returns the address parts of stay and fall.
func (b *Answers) PutHostile(t testing.TB) (stay, fall string) {
	t.Helper()
	now := teststore.Now()
	view, err := b.Service.Stay(t.Context(), "S108", now)
	if err != nil {
		t.Fatal(err)
	}
	of := view.Assessment.Digest.Stay
	of.Name, of.Bed = Hostile("Name"), "P7 שלום"
	elsewhere := of
	elsewhere.PatientID, elsewhere.Unit, elsewhere.Bed = Hostile("P"), HostileUnit, Hostile("Bed")
	id := func(n string) string { return HostileID + strings.Repeat(n, 300) }
	dose := 40.0
	drug := clinical.Drug{Text: Hostile("drug")}
	at := now.Add(-2 * time.Hour)
	version := func(kind clinical.Kind, source, stay string, body clinical.Body) clinical.Version {
		return clinical.Version{
			Kind: kind, SourceID: source, StayID: stay, RecordedAt: at, Stated: true, Status: clinical.Final, Body: body,
		}
	}
	order := version(clinical.KindOrder, id("o"), "S108", clinical.Order{Drug: drug, Dose: &dose, DoseUnit: "mg", Route: "oral", StartAt: at})
	order.Status = clinical.Active
	given := version(clinical.KindDose, id("d"), "S108", clinical.Dose{
		Drug: drug, GivenAt: now.Add(-time.Hour), OrderID: id("o"), Dose: &dose, DoseUnit: "mg", Route: "oral",
	})
	given.Status = clinical.Completed
	b.Put(t,
		version(clinical.KindStay, "S108", "S108", of), version(clinical.KindStay, id("s"), id("s"), elsewhere), order, given,
		version(clinical.KindFall, id("f"), "S108", clinical.Fall{FellAt: now.Add(-90 * time.Minute)}),
		version(clinical.KindCondition, id("c"), "S108", clinical.Condition{ICD10: "I95.1", Text: Hostile("condition")}),
	)
	return id("s"), id("f")
}
