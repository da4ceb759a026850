package demo

// Those to keep an eye on, and those with nothing to do.
func storiesQuiet() []Story {
	return []Story{
		{
			Name: "Cleared after fluids", StayID: "S124", PatientID: "P4124", Patient: "Dragomir Ashenveld", Born: "1949-01-26", Sex: "male",
			Unit: MainUnit, Bed: "5B", Tier: "watch", Rule: "T-WATCH", Recheck: "scheduled R-WEEKLY",
			Says: "Came in dry and dropped by 30; a litre later the drop was gone, and two negatives far enough apart have cleared him.",
			tell: clearedAfterFluids,
		},
		{
			Name: "Corrected and taken back", StayID: "S115", PatientID: "P4115", Patient: "Zoë Marchetwood", Born: "1952-10-10", Sex: "female",
			Unit: MainUnit, Bed: "2A", Tier: "watch", Rule: "T-WATCH", Recheck: "scheduled R-WEEKLY",
			Says: "A mistyped 92 was corrected to 132 and an evening set that belonged to another patient was taken back; nothing positive is left.",
			tell: correctedAndRetracted,
		},
		{
			Name: "A long quiet stay", StayID: "S125", PatientID: "P4125", Patient: "Aurelio Featherstonhaugh-Ng", Born: "1942-07-04", Sex: "male",
			Unit: MainUnit, Bed: "7A", Tier: "watch", Rule: "T-WATCH", Recheck: "scheduled R-WEEKLY",
			Says: "Twenty days, five sets, no drop; the next routine set is three days away.",
			tell: longQuietStay,
		},
		{
			Name: "Not ambulatory", StayID: "S126", PatientID: "P4126", Patient: "Ffion Castelmora", Born: "1938-11-15", Sex: "female",
			Unit: MainUnit, Bed: "11B", Tier: "none", Rule: "", Recheck: "blocked R-ADMIT",
			Says: "Cannot stand after a stroke: the admission set is blocked, not overdue, and the page says why.",
			tell: notAmbulatory,
		},
		{
			Name: "Fast pulse, no drop", StayID: "S127", PatientID: "P4127", Patient: "Isolde Maranghi-Stroud", Born: "1998-05-28", Sex: "female",
			Unit: MainUnit, Bed: "14A", Tier: "none", Rule: "", Recheck: "not_needed",
			Says: "Twenty-eight years old; her pulse rises by 36 and the pressure holds. It is named, and no rule of the list asks for more.",
			tell: fastPulse,
		},
		{
			Name: "Moved from the other unit", StayID: "S129", PatientID: "P4129", Patient: "Mireille Tokarczan", Born: "1955-03-21", Sex: "female",
			Unit: MainUnit, Bed: "15A", Tier: "watch", Rule: "T-WATCH", Recheck: "scheduled R-WEEKLY",
			Says: "Came from Seven East yesterday after a knee replacement; her sets came with her.",
			tell: movedHere,
		},
		{
			Name: "Home tomorrow", StayID: "S131", PatientID: "P4131", Patient: "Cornelius Abendrot", Born: "1957-12-29", Sex: "male",
			Unit: MainUnit, Bed: "16A", Tier: "watch", Rule: "T-WATCH", Recheck: "scheduled R-WEEKLY",
			Says: "Metoprolol was held for a day and resumed; a set after that was steady, and he leaves tomorrow.",
			tell: homeTomorrow,
		},
		{
			Name: "Renewed, not changed", StayID: "S133", PatientID: "P4133", Patient: "Thandiwe Rosenkvist", Born: "1948-08-08", Sex: "female",
			Unit: MainUnit, Bed: "17", Tier: "watch", Rule: "T-WATCH", Recheck: "scheduled R-WEEKLY",
			Says: "Her orders were renewed after a week at the same doses, which is no change; eye drops count nowhere, " +
				"and the ward's own mixture is known since an administrator said what it is.",
			tell: renewedOrders,
		},
		{
			Name: "A quiet stay, leg infection", StayID: "S130", PatientID: "P4130", Patient: "Jerome Kaspersund", Born: "1974-02-02", Sex: "male",
			Unit: MainUnit, Bed: "15B", Tier: "none", Rule: "", Recheck: "not_needed",
			Says: "Fifty-two, no tablets for blood pressure, nothing that asks for a set; " +
				"but nobody has measured him since yesterday at five, and his row says so.",
			tell: quietLeg,
		},
		{
			Name: "A quiet stay, asthma", StayID: "S132", PatientID: "P4132", Patient: "Anneliese Obuya-Finch", Born: "1982-09-17", Sex: "female",
			Unit: MainUnit, Bed: "16B", Tier: "none", Rule: "", Recheck: "not_needed",
			Says: "Takes the capsule of a trial, which no table knows: the page says that it was not recognised.",
			tell: quietAsthma,
		},
		{
			Name: "Went home yesterday", StayID: "S134", PatientID: "P4134", Patient: "Ambrose Quellmann", Born: "1946-04-18", Sex: "male",
			Unit: MainUnit, Bed: "16B", Tier: "", Rule: "",
			Says: "Was in the bed by the window until yesterday at two, and is on no list.",
			tell: wentHome,
		},
	}
}

func clearedAfterFluids(c *chart) {
	c.admit(3, "02:40")
	c.has("E86.0", "Dehydration")
	c.has("I10", "Essential hypertension")
	c.level("128/74 76")
	c.setIDs = true
	c.limb = "right arm"
	c.home("hydrochlorothiazide", 25, "mg", "oral", "08:00").hold(3, "07:45")
	c.set(3, "07:30", lying("122/70 90"), standing(1, "90/60 114").feels("dizziness"), standing(3, "92/60 112").feels("dizziness"))
	c.treated(3, "08:30", "fluid bolus")
	c.event(3, "09:00", "in", "iv", 1000)
	c.set(3, "12:00", lying("126/72 80"), standing(1, "113/70 90"), standing(3, "115/70 90"))
	c.set(2, "08:00", lying("128/74 76"), standing(1, "118/72 84"), standing(3, "120/74 84"))
	c.set(1, "08:10", lying("130/74 74"), standing(1, "121/74 82"), standing(3, "123/74 82"))
	c.balance(1, 1700, 0, 1500)
	c.balance(0, 1600, 0, 1550)
	c.weights(3, 73.1, 74, 74.3, 74.2)
	c.precautions(3, "08:00", bundle...)
}

func correctedAndRetracted(c *chart) {
	c.admit(4, "13:35")
	c.has("N30.0", "Bladder infection")
	c.level("140/80 74")
	c.set(3, "08:30", lying("142/82 74"), standing(1, "132/80 82"), standing(3, "134/80 82"))
	typed := c.set(1, "08:20", lying("140/80 74"), standing(1, "131/80 82"), standing(3, "92/80 82"))
	c.correct("vitals", 1, "09:40", typed[2], map[string]string{"systolic": "132"})
	others := c.set(1, "19:10", lying("128/72 80"), standing(1, "98/62 94").feels("dizziness"), standing(3, "100/62 94"))
	c.retract(1, "20:05", others...)
	weighed := c.weights(3, 70.4, 70.2, 71.0)
	c.correct("weights", 1, "09:30", weighed[2], map[string]string{"weight": "70.1"})
}

func longQuietStay(c *chart) {
	c.admit(20, "15:15")
	c.has("T84.5", "Infected hip joint, long antibiotics")
	c.level("130/74 70")
	c.home("amlodipine", 5, "mg", "oral", "08:00")
	c.start(20, "17:00", "ceftriaxone", 2, "g", "iv", "18:00")
	c.set(19, "08:50", lying("132/74 76"), standing(1, "122/74 84"), standing(3, "123/74 84"))
	c.set(15, "09:05", lying("134/76 72"), standing(1, "123/74 80"), standing(3, "126/76 80"))
	c.set(12, "08:40", lying("130/74 70"), standing(1, "121/74 78"), standing(3, "121/74 78"))
	c.set(8, "08:55", lying("132/74 70"), standing(1, "121/74 78"), standing(3, "124/74 78"))
	c.set(4, "09:00", lying("130/74 68"), standing(1, "120/74 76"), standing(3, "121/74 76"))
	c.weights(19, 80.3, 0, 80.1, 0, 0, 80, 0, 0, 80.2, 0, 0, 80.4, 0, 0, 80.2, 0, 0, 80.3)
	c.precautions(20, "17:30", "call light in reach", "bed low and locked", "non-slip footwear")
	c.shift(2, "day", 1400, 1300)
	c.shift(1, "night", 300, 550)
	c.shift(1, "day", 1350, 1250)
	c.shift(0, "night", 250, 500)
}

func notAmbulatory(c *chart) {
	c.admit(6, "10:45")
	c.notAmbulatory()
	c.has("I63.9", "Stroke")
	c.level("138/76 78")
	c.start(6, "12:00", "enoxaparin", 40, "mg", "subcutaneous", "18:00")
	c.home("lisinopril", 5, "mg", "ng", "08:00")
	c.precautions(6, "12:00", "call light in reach", "bed low and locked", "floor mat")
	c.weights(5, 64.5, 0, 0, 64.1)
}

func fastPulse(c *chart) {
	c.admit(2, "08:45")
	c.has("A08.4", "Viral gastroenteritis")
	c.level("112/68 74")
	c.set(1, "09:10", lying("112/70 72"), standing(1, "108/72 108"), standing(3, "110/74 106"))
	c.start(2, "09:30", "ondansetron", 4, "mg", "iv").give(2, "10:00").give(2, "18:15")
	c.event(2, "11:20", "out", "emesis", 150)
}

func movedHere(c *chart) {
	c.admitTo(4, "07:30", SecondUnit, "24")
	c.move(1, "13:20", MainUnit, "14C")
	c.move(1, "16:50", MainUnit, "15A")
	c.has("Z96.6", "Knee joint replaced")
	c.level("126/72 74")
	c.setIDs = true
	c.start(4, "14:00", "oxycodone", 5, "mg", "oral").give(4, "20:00").give(3, "07:15").give(3, "21:30").give(2, "08:00")
	c.start(4, "14:00", "enoxaparin", 40, "mg", "subcutaneous", "18:00")
	c.set(3, "10:15", lying("122/70 82"), standing(1, "110/68 92"), standing(3, "113/70 92"))
	c.set(1, "08:45", lying("126/72 76"), standing(1, "117/72 84"), standing(3, "119/72 84"))
	c.precautions(4, "15:00", bundle...)
}

func homeTomorrow(c *chart) {
	c.admit(5, "12:25")
	c.has("R00.1", "Slow pulse")
	c.level("134/78 62")
	metoprolol := c.home("metoprolol", 50, "mg", "oral", "08:00", "20:00")
	metoprolol.hold(4, "09:30")
	metoprolol.resume(3, "10:00")
	c.set(4, "08:30", lying("130/76 52"), standing(1, "121/76 58"), standing(3, "122/76 58"))
	c.set(2, "08:40", lying("134/78 62"), standing(1, "125/78 68"), standing(3, "126/78 68"))
	c.discharge(0, "09:30", -1, "12:00")
}

func renewedOrders(c *chart) {
	c.admit(10, "14:50")
	c.has("L89.1", "Pressure ulcer")
	c.has("H40.1", "Glaucoma")
	c.level("136/74 68")
	c.limb = "" // never charted here
	c.home("lisinopril", 10, "mg", "oral", "08:00").until(3, "12:00")
	c.start(3, "11:30", "lisinopril", 10, "mg", "oral", "08:00")
	drops := c.home("timolol", 1, "drop", "ophthalmic", "08:00", "20:00").charted("timolol 5 MG/ML eye drops", "S01ED01", "")
	drops.miss(6, "20:00")
	c.home("ward mixture 7", 12.5, "mg", "oral", "08:00") // no code, no name: see Mapped
	c.set(9, "08:35", lying("138/76 68"), standing(1, "128/74 76"), standing(3, "129/74 76"))
	c.set(5, "08:45", lying("136/74 68"), standing(1, "127/74 76"), standing(3, "128/74 76"))
	c.set(2, "08:25", lying("136/76 66"), standing(1, "125/74 74"), standing(3, "126/74 74"))
}

func quietLeg(c *chart) {
	c.admit(3, "21:20")
	c.has("L03.1", "Cellulitis of the leg")
	c.level("124/76 76")
	c.measuredUntil(1, "18:00")
	c.start(3, "22:00", "amoxicillin", 1, "g", "oral", "08:00", "14:00", "22:00")
	c.start(3, "22:00", "paracetamol", 1, "g", "oral").give(3, "22:30").give(1, "21:00")
}

func quietAsthma(c *chart) {
	c.admit(0, "01:15")
	c.has("J45.9", "Asthma")
	c.level("118/72 84")
	c.start(0, "02:00", "salbutamol", 5, "mg", "inhaled", "02:30", "06:30")
	c.start(0, "02:00", "trial capsule 14-B", 1, "capsule", "oral", "08:00")
}

func wentHome(c *chart) {
	c.admit(8, "18:00")
	c.has("J18.9", "Pneumonia, organism not stated")
	c.discharge(1, "11:10", 1, "14:00")
	c.level("132/76 78")
	c.home("ramipril", 5, "mg", "oral", "08:00")
	c.set(7, "08:30", lying("134/78 82"), standing(1, "111/70 94"), standing(3, "113/70 92").feels("lightheadedness"))
	c.set(6, "08:20", lying("132/76 80"), standing(1, "120/74 88"), standing(3, "122/74 88"))
	c.set(5, "08:40", lying("134/76 78"), standing(1, "124/76 86"), standing(3, "125/76 86"))
	c.set(2, "08:15", lying("132/76 76"), standing(1, "123/76 84"), standing(3, "123/76 84"))
	for _, cells := range c.precautions(7, "09:00", bundle...) {
		c.endPrecaution(1, "14:00", cells)
	}
}
