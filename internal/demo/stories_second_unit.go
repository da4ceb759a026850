package demo

import "time"

// The small unit, so that there is one to switch to.
func storiesSecondUnit() []Story {
	return []Story{
		{
			Name: "Fluids given, not looked at again", StayID: "S201", PatientID: "P4201",
			Patient: "Gwendolen Aramburel", Born: "1953-06-14", Sex: "female",
			Unit: SecondUnit, Bed: "21", Tier: "this_shift", Rule: "T-POSITIVE", Recheck: "overdue R-TREATED",
			Says: "The day after an operation she dropped by 26 in the night and got a bolus at three; whether it helped has not been measured.",
			tell: bolusUnchecked,
		},
		{
			Name: "New this morning", StayID: "S202", PatientID: "P4202", Patient: "Balthazar Nyströmbeck", Born: "1949-05-01", Sex: "male",
			Unit: SecondUnit, Bed: "22", Tier: "today", Rule: "T-SOON", Recheck: "scheduled R-ADMIT",
			Says: "Admitted before the operation of a broken ankle, on a patch of clonidine; " +
				"the first set has a day, and whoever takes it asks first.",
			tell: newThisMorning,
		},
		{
			Name: "Steady after a hernia", StayID: "S203", PatientID: "P4203", Patient: "Hyacinthe Delbrosse", Born: "1951-09-29", Sex: "male",
			Unit: SecondUnit, Bed: "23", Tier: "watch", Rule: "T-WATCH", Recheck: "scheduled R-WEEKLY",
			Says: "One set, no drop, on the left arm: the right one has a fistula and must not be measured.",
			tell: steadyHernia,
		},
		{
			Name: "Stitched, and nobody has decided", StayID: "S204", PatientID: "P4204",
			Patient: "Rafferty Imanishi-Cole", Born: "1995-01-07", Sex: "male",
			Unit: SecondUnit, Bed: "25", Tier: "this_shift", Rule: "T-CLEARANCE", Recheck: "blocked R-FALL",
			Says: "Fell on the evening after his appendix was out and had a cut stitched; " +
				"a day and a half later nobody has charted whether he may stand.",
			tell: stitchedUndecided,
		},
		{
			Name: "Gone for a moment", StayID: "S205", PatientID: "P4205",
			Patient: "Philippa Vantongeren", Born: "1956-08-19", Sex: "female",
			Unit: SecondUnit, Bed: "26", Tier: "now", Rule: "T-STOPPED", Recheck: "due R-STOPPED",
			Says: "The morning after a knee operation she lost consciousness within a minute of standing: " +
				"no pressure could be taken, and none is needed to know.",
			tell: goneForAMoment,
		},
		{
			Name: "Chest pain before standing", StayID: "S206", PatientID: "P4206",
			Patient: "Anselm Korvenoja", Born: "1947-02-11", Sex: "male",
			Unit: SecondUnit, Bed: "27", Tier: "today", Rule: "T-SOON", Recheck: "scheduled R-REPEAT",
			Says: "Had chest pain while he lay for his first set; help was called and nobody stood him.",
			tell: chestPainAtRest,
		},
		{
			Name: "The cuff could not read", StayID: "S207", PatientID: "P4207",
			Patient: "Rosalind Echeverry", Born: "1959-12-03", Sex: "female",
			Unit: SecondUnit, Bed: "28", Tier: "today", Rule: "T-ROUTINE", Recheck: "overdue R-ADMIT",
			Says: "Shivering after an operation: twice the cuff gave no figure once she stood. " +
				"The set cannot be read, and the first one is still owed.",
			tell: cuffCouldNotRead,
		},
		{
			Name: "Two sets within minutes", StayID: "S208", PatientID: "P4208",
			Patient: "Ferdinand Oyelaran-Bisset", Born: "1950-04-22", Sex: "male",
			Unit: SecondUnit, Bed: "29", Tier: "today", Rule: "T-SOON", Recheck: "scheduled R-POSITIVE",
			Says: "Two nurses, neither knowing of the other, took his set nine minutes apart: the first shows a drop, the second does not.",
			tell: twoWithinMinutes,
		},
		{
			Name: "Stood, and no clearance is charted", StayID: "S209", PatientID: "P4209",
			Patient: "Dorothea Makinwell", Born: "1962-10-30", Sex: "female",
			Unit: SecondUnit, Bed: "30", Tier: "watch", Rule: "T-WATCH", Recheck: "scheduled R-WEEKLY",
			Says: "Fell with a sprained wrist the night before last; yesterday somebody stood her for a set, " +
				"and nobody has charted that she might stand.",
			tell: stoodUncleared,
		},
	}
}

func goneForAMoment(c *chart) {
	c.admit(1, "06:50")
	c.has("M17.1", "Osteoarthritis of the knee, operated")
	c.level("134/78 74")
	c.setIDs = true
	c.start(1, "14:00", "oxycodone", 5, "mg", "oral", "20:00", "06:00")
	c.set(0, "08:20", lying("132/76 74"), standing(1, "").feels("loss of consciousness").stop())
	c.plain(0, "08:24", "lying", "118/66 60")
	c.precautions(1, "15:00", bundle...)
}

func chestPainAtRest(c *chart) {
	c.admit(0, "06:40")
	c.has("K57.3", "Diverticular disease")
	c.level("144/82 82")
	c.setIDs = true
	c.set(0, "08:50", lying("150/88 98").feels("chest pain"))
	c.precautions(0, "07:30", bundle...)
}

func cuffCouldNotRead(c *chart) {
	c.admit(1, "07:00")
	c.has("N81.2", "Uterine prolapse, operated")
	c.level("126/72 80")
	c.setIDs = true
	c.set(0, "08:35", lying("128/74 84"), standing(1, ""), standing(3, ""))
	c.precautions(1, "15:30", bundle...)
}

func twoWithinMinutes(c *chart) {
	c.admit(2, "08:10")
	c.has("K43.9", "Incisional hernia, repaired")
	c.level("138/80 72")
	c.setIDs = true
	c.home("bisoprolol", 2.5, "mg", "oral", "08:00")
	c.set(0, "08:30", lying("142/82 70"), standing(1, "116/74 78"), standing(3, "118/74 78"))
	c.set(0, "08:39", lying("136/80 72"), standing(1, "124/78 80"), standing(3, "126/78 80"))
	c.precautions(2, "10:00", bundle...)
}

func stoodUncleared(c *chart) {
	c.admit(3, "09:20")
	c.has("L02.4", "Abscess of the leg, drained")
	c.level("124/74 76")
	c.setIDs = true
	c.fell(2, "02:15", "moderate", "no", 15*time.Minute)
	c.set(1, "08:25", lying("126/74 76"), standing(1, "118/74 84"), standing(3, "119/74 84"))
	c.precautions(2, "02:40", bundle...)
	c.precautions(2, "02:40", "bed alarm")
}

func bolusUnchecked(c *chart) {
	c.admit(2, "07:15")
	c.has("K80.2", "Gallstones, gallbladder removed")
	c.level("122/70 80")
	c.setIDs = true
	c.set(1, "16:30", lying("124/72 80"), standing(1, "113/70 90"), standing(3, "114/70 90"))
	c.set(0, "02:20", lying("118/68 86"), standing(1, "91/60 108").feels("lightheadedness"), standing(3, "92/60 106"))
	c.treated(0, "03:00", "fluid bolus")
	c.event(0, "03:30", "in", "iv", 500)
	c.event(1, "12:00", "out", "drain", 120)
	c.precautions(2, "09:00", bundle...)
}

func newThisMorning(c *chart) {
	c.admit(0, "07:05")
	c.has("I10", "Essential hypertension")
	c.has("S82.6", "Fracture of the ankle")
	c.level("148/84 70")
	c.start(0, "08:30", "clonidine", 0.1, "mg", "transdermal", "09:00").charted("Clonidine 0.1 MG/day transdermal patch", "C02AC01", "")
	c.plain(0, "07:30", "sitting", "150/84 72")
}

func steadyHernia(c *chart) {
	c.admit(1, "06:45")
	c.has("K40.9", "Inguinal hernia, repaired")
	c.restricted(1, "07:30", "right arm", "fistula")
	c.level("130/76 70")
	c.home("tamsulosin", 0.4, "mg", "oral", "20:00")
	c.start(1, "13:00", "paracetamol", 1, "g", "oral", "14:00", "20:00", "08:00")
	c.set(0, "08:05", lying("132/76 72"), standing(1, "122/76 80"), standing(3, "123/76 80"))
	c.precautions(1, "09:00", "call light in reach", "non-slip footwear")
}

func stitchedUndecided(c *chart) {
	c.admit(3, "23:40")
	c.has("K35.8", "Appendicitis, appendix removed")
	c.level("122/72 68")
	c.start(2, "00:30", "paracetamol", 1, "g", "iv").give(2, "01:00").give(2, "07:10").give(1, "08:00")
	c.fell(2, "18:35", "moderate", "no", 20*time.Minute)
	c.precautions(2, "19:00", bundle...)
	c.precautions(2, "19:00", "bed alarm")
}

// looseRows are what interfaces send and no story tells: three rows that
// cannot be used, and a fact that waits for its stay.
func looseRows(c *chart) {
	send := func(kind string, when time.Time, cells map[string]string) {
		c.write(kind, device, when, cells)
	}
	// a word outside its list
	t := c.at(0, "06:15")
	send("vitals", t, map[string]string{
		"source_id": "M-0001", "stay_id": "S125", "taken_at": stamp(t), "systolic": "128", "diastolic": "72", "heart_rate": "68",
		"position": "reclining", "limb": "right arm", "status": "final",
	})
	// a stay that has not been seen: somebody still on the way from the emergency department
	t = c.at(0, "09:10")
	send("vitals", t, map[string]string{
		"source_id": "M-0002", "stay_id": "S135", "taken_at": stamp(t), "systolic": "136", "diastolic": "78", "heart_rate": "88",
		"position": "sitting", "limb": "left arm", "status": "final",
	})
	// an end before its beginning
	t = c.at(0, "07:00")
	send("fluids", t, map[string]string{
		"source_id": "M-0003", "stay_id": "S125", "from": stamp(t), "to": stamp(c.at(1, "19:00")), "direction": "out",
		"volume": "450", "volume_unit": "mL", "kind": "urine", "status": "final",
	})
	// a correction that cannot be read: a letter among the digits
	t = c.at(0, "06:20")
	send("weights", t, map[string]string{
		"source_id": "W-S110-004", "stay_id": "S110", "measured_at": stamp(t), "weight": "7l.4", "weight_unit": "kg",
		"recorded_at": stamp(c.at(0, "08:30")), "status": "corrected",
	})
}
