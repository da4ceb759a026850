package demo

import "time"

// Those for whom something is to be done today.
func storiesToday() []Story {
	return []Story{
		{
			Name: "Drops after the morning tablets", StayID: "S118", PatientID: "P4118",
			Patient: "Evangeline Korhonell", Born: "1947-04-22", Sex: "female",
			Unit: MainUnit, Bed: "4B", Tier: "today", Rule: "T-REVIEW", Recheck: "scheduled R-POSITIVE",
			Says: "Steady in the evening and before breakfast, but twice a clear drop one to three hours after a nitrate and two other tablets.",
			tell: afterTheTablets,
		},
		{
			Name: "Dizzy without a drop", StayID: "S119", PatientID: "P4119", Patient: "Nadezhda Firelock", Born: "1954-09-08", Sex: "female",
			Unit: MainUnit, Bed: "12A", Tier: "today", Rule: "T-SYMPTOMS", Recheck: "scheduled R-REPEAT",
			Says: "Dizzy on standing though the pressure holds; not orthostatic hypotension, and not nothing.",
			tell: dizzyWithoutDrop,
		},
		{
			Name: "Admission screen overdue", StayID: "S120", PatientID: "P4120", Patient: "Leopold Hazelgrave", Born: "1947-12-17", Sex: "male",
			Unit: MainUnit, Bed: "9B", Tier: "today", Rule: "T-ROUTINE", Recheck: "overdue R-ADMIT",
			Says: "Two nights here and never measured standing; a pressure in bed and another in the chair is not a set.",
			tell: screenOverdue,
		},
		{
			Name: "A week without a set", StayID: "S121", PatientID: "P4121", Patient: "Philippa Tanoueva", Born: "1945-02-13", Sex: "female",
			Unit: MainUnit, Bed: "3B", Tier: "today", Rule: "T-ROUTINE", Recheck: "overdue R-WEEKLY",
			Says: "Waiting for a place to go to; her last set is more than a week old.",
			tell: weekWithout,
		},
		{
			Name: "Came last night", StayID: "S122", PatientID: "P4122", Patient: "Emeric Vandersloe", Born: "1950-06-06", Sex: "male",
			Unit: MainUnit, Bed: "13B", Tier: "today", Rule: "T-SOON", Recheck: "scheduled R-ADMIT",
			Says: "Admitted late in the evening; the first set is expected by tonight.",
			tell: cameLastNight,
		},
		{
			Name: "The bed alarm went too soon", StayID: "S123", PatientID: "P4123",
			Patient: "Clementina Ruangsri-Holt", Born: "1941-08-19", Sex: "female",
			Unit: MainUnit, Bed: "8A", Tier: "today", Rule: "T-PRECAUTION", Recheck: "scheduled R-WEEKLY",
			Says: "A fall six days ago and steady sets since; the bed alarm, wanted after a fall, was taken away two days ago.",
			tell: alarmGone,
		},
	}
}

func afterTheTablets(c *chart) {
	c.admit(4, "12:10")
	c.has("I25.1", "Coronary heart disease")
	c.level("132/74 70")
	c.setIDs = true
	c.home("isosorbide mononitrate", 60, "mg", "oral", "08:00").charted("Isosorbide mononitrate 60 MG prolonged-release tablet", "C01DA14", "")
	c.home("amlodipine", 10, "mg", "oral", "08:00")
	c.home("perindopril", 8, "mg", "oral", "08:00")
	c.set(3, "17:10", lying("134/76 70"), standing(1, "124/74 78"), standing(3, "125/74 78"))
	c.set(2, "09:40", lying("126/70 72"), standing(1, "98/62 88").feels("lightheadedness"), standing(3, "101/62 88"))
	c.set(2, "18:00", lying("136/76 70"), standing(1, "125/74 78"), standing(3, "126/74 78"))
	c.set(1, "10:20", lying("124/70 74"), standing(1, "98/60 90"), standing(3, "100/62 90"))
	c.set(0, "06:30", lying("138/78 68"), standing(1, "129/76 76"), standing(3, "130/76 76"))
	c.precautions(2, "10:00", bundle...)
}

func dizzyWithoutDrop(c *chart) {
	c.admit(3, "14:20")
	c.has("H81.1", "Positional vertigo")
	c.level("130/76 72")
	c.set(2, "08:40", lying("132/76 72"), standing(1, "125/76 80"), standing(3, "126/76 80"))
	c.set(0, "08:20", lying("130/74 74"), standing(1, "122/74 82").feels("dizziness;unsteadiness"),
		standing(3, "124/74 82").feels("dizziness"))
	c.precautions(3, "16:00", bundle...)
	c.start(3, "16:00", "ondansetron", 4, "mg", "oral").give(3, "18:00").give(0, "08:45")
}

func screenOverdue(c *chart) {
	c.admit(2, "20:30")
	c.has("J18.9", "Pneumonia, organism not stated")
	c.level("128/72 86")
	c.start(2, "21:00", "amoxicillin", 1, "g", "oral", "08:00", "14:00", "22:00")
	// a bed reading, and one in the chair ten minutes later
	c.plain(0, "07:30", "lying", "126/70 84")
	c.take(c.at(0, "07:40"), reading{position: "sitting", value: "124/72 88"}, "")
	c.sets = append(c.sets, c.at(0, "07:30"))
	c.precautions(2, "22:00", "call light in reach", "bed low and locked")
}

func weekWithout(c *chart) {
	c.admit(15, "11:25")
	c.has("S72.0", "Fracture of the hip, after repair")
	c.level("124/70 72")
	c.start(15, "13:00", "enoxaparin", 40, "mg", "subcutaneous", "18:00").until(1, "12:00")
	c.set(14, "09:10", lying("128/72 78"), standing(1, "116/70 88"), standing(3, "118/70 88"))
	c.set(11, "08:50", lying("126/70 74"), standing(1, "116/70 82"), standing(3, "117/70 82"))
	// here nobody charted the minutes: they have to be taken from the clock
	c.set(8, "09:00", lying("124/70 72").uncharted(), standing(1, "115/70 80").uncharted(), standing(3, "117/72 80").uncharted())
	c.weights(14, 61.2, 0, 0, 0, 60.8, 0, 0, 0, 60.9, 0, 0, 0, 61)
	c.precautions(14, "10:00", bundle...)
}

func cameLastNight(c *chart) {
	c.admit(1, "22:10")
	c.has("K81.0", "Inflamed gallbladder")
	c.level("138/80 84")
	c.home("doxazosin", 4, "mg", "oral", "22:00").charted("doxazosin mesylate", "", "")
	c.start(1, "22:30", "ceftriaxone", 2, "g", "iv", "23:00")
	c.precautions(1, "23:00", "call light in reach", "bed low and locked", "non-slip footwear")
}

func alarmGone(c *chart) {
	c.admit(9, "16:40")
	c.has("Z91.81", "Falls before admission")
	c.has("F03", "Dementia")
	c.level("132/74 74")
	c.setIDs = true
	c.home("quetiapine", 25, "mg", "oral", "20:00")
	c.set(8, "09:00", lying("134/76 74"), standing(1, "124/74 82"), standing(3, "125/74 82"))
	c.fell(6, "03:20", "minor", "no", 20*time.Minute)
	c.set(6, "06:40", lying("138/78 80"), standing(1, "127/76 88"), standing(3, "128/76 88"))
	c.set(4, "08:10", lying("132/74 74"), standing(1, "121/72 82"), standing(3, "124/74 82"))
	c.set(2, "08:00", lying("130/74 72"), standing(1, "121/74 80"), standing(3, "122/74 80"))
	c.precautions(8, "10:00", bundle...)
	alarm := c.precautions(6, "03:45", "bed alarm")
	c.endPrecaution(2, "15:30", alarm["bed alarm"])
}
