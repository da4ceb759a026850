package outbox

import (
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// notes are what the record has no field for, in sentences.
func (f Fact) notes() (out []string) {
	v := f.Vitals
	if v == nil || f.Removed {
		return nil
	}
	if f.Unread {
		out = append(out, text.Say("outward.unread"))
	}
	if v.MinutesInPosition != nil {
		out = append(out, text.Say("outward.minutes", text.Figure(*v.MinutesInPosition)))
	}
	if len(v.Symptoms) > 0 {
		out = append(out, text.Say("outward.symptoms", strings.Join(v.Symptoms, ", ")))
	}
	if v.StoppedEarly {
		out = append(out, text.Say("outward.stopped"))
	}
	return out
}

// limbNote names a limb that has no code here.
func limbNote(v *clinical.Vitals) []string {
	if v == nil || v.Limb == "" {
		return nil
	}
	return []string{text.Say("outward.limb", v.Limb)}
}

// positionCode is the SNOMED CT code of a body position, and its words; "" for one not charted. The
// codes are those that clinical.SNOMEDPosition reads.
func positionCode(p clinical.Position) (code, display string) {
	switch p {
	case clinical.Lying:
		return "40199007", "Supine body position"
	case clinical.Sitting:
		return "33586001", "Sitting position"
	case clinical.Standing:
		return "10904000", "Orthostatic body position"
	}
	return "", ""
}
