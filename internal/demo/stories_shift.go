package demo

import "time"

// Those for whom something is to be done this shift.
func storiesThisShift() []Story {
	return []Story{
		{
			Name: "A loop diuretic raised", StayID: "S108", PatientID: "P4108", Patient: "Augustin Merrowin", Born: "1944-09-12", Sex: "male",
			Unit: MainUnit, Bed: "6A", Tier: "this_shift", Rule: "T-POSITIVE", Recheck: "scheduled R-POSITIVE",
			Says: "Furosemide was doubled three days ago; since then balance and weight fall, and every set drops further than the one before.",
			tell: loopDiureticRaised,
		},
		{
			Name: "Parkinson's disease, high lying and low standing", StayID: "S109", PatientID: "P4109",
			Patient: "Haruki Sandermere", Born: "1950-02-27", Sex: "male",
			Unit: MainUnit, Bed: "11A", Tier: "this_shift", Rule: "T-POSITIVE", Recheck: "scheduled R-POSITIVE",
			Says: "The same steep drop every day with a pulse that hardly answers, " +
				"from a lying pressure in moderate supine hypertension, on midodrine.",
			tell: parkinson,
		},
		{
			Name: "Atrial fibrillation with a beta-blocker", StayID: "S110", PatientID: "P4110",
			Patient: "Perpetua Lindqvara", Born: "1946-12-05", Sex: "female",
			Unit: MainUnit, Bed: "4A", Tier: "this_shift", Rule: "T-POSITIVE", Recheck: "scheduled R-POSITIVE",
			Says: "A clear drop with a small rise of the pulse that must not be read, since bisoprolol and the rhythm both decide it.",
			tell: fibrillation,
		},
		{
			Name: "Cannot lie flat", StayID: "S107", PatientID: "P4107", Patient: "Marguerite Abubakarsen", Born: "1940-07-18", Sex: "female",
			Unit: MainUnit, Bed: "2B", Tier: "this_shift", Rule: "T-POSITIVE", Recheck: "scheduled R-POSITIVE",
			Says: "Breathless when flat, so she is measured from sitting, where a drop of 17 already counts.",
			tell: sitToStand,
		},
		{
			Name: "A drop that is over in a minute", StayID: "S128", PatientID: "P4128",
			Patient: "Lucjan Thornquill", Born: "1986-04-09", Sex: "male",
			Unit: MainUnit, Bed: "1A", Tier: "this_shift", Rule: "T-POSITIVE", Recheck: "scheduled R-POSITIVE",
			Says: "Forty-four down at half a minute and back at one: possibly an initial drop, which a cuff cannot confirm.",
			tell: initialDrop,
		},
		{
			Name: "Fell, and has stood again since", StayID: "S111", PatientID: "P4111",
			Patient: "Adaeze Winterbrook", Born: "1939-10-21", Sex: "female",
			Unit: MainUnit, Bed: "8B", Tier: "this_shift", Rule: "T-FELL", Recheck: "scheduled R-WEEKLY",
			Says: "Slid down at the basin last evening with an aide at her side; two sets since show no drop, and the whole bundle is in place.",
			tell: fellAndStood,
		},
		{
			Name: "A dose raised and nobody looked", StayID: "S112", PatientID: "P4112",
			Patient: "Giancarlo Nakafield", Born: "1955-05-16", Sex: "male",
			Unit: MainUnit, Bed: "1B", Tier: "this_shift", Rule: "T-OVERDUE", Recheck: "overdue R-DRUG",
			Says: "Lisinopril was doubled nearly two days ago and no set has been taken since; " +
				"he declined one last evening, and it is overdue again.",
			tell: raisedUnchecked,
		},
		{
			Name: "One negative does not clear", StayID: "S113", PatientID: "P4113",
			Patient: "Solveig Quarrington", Born: "1958-08-25", Sex: "female",
			Unit: MainUnit, Bed: "13A", Tier: "this_shift", Rule: "T-OVERDUE", Recheck: "overdue R-POSITIVE",
			Says: "A drop two days ago that came at eight minutes, one set without a drop yesterday that stopped at three, and then none: " +
				"three minutes clear nobody here, and the next set is overdue.",
			tell: oneNegative,
		},
		{
			Name: "Bad measurements", StayID: "S114", PatientID: "P4114", Patient: "Fitzgerald Yamanoor", Born: "1953-03-03", Sex: "male",
			Unit: MainUnit, Bed: "14B", Tier: "this_shift", Rule: "T-OVERDUE", Recheck: "overdue R-REPEAT",
			Says: "Three sets that say nothing: two minutes of rest, an arm and then a leg, and a first standing reading after eight minutes.",
			tell: badMeasurements,
		},
		{
			Name: "A new tablet, recheck due", StayID: "S116", PatientID: "P4116", Patient: "Rosalba Petrovane", Born: "1956-01-11", Sex: "female",
			Unit: MainUnit, Bed: "6B", Tier: "this_shift", Rule: "T-DUE", Recheck: "due R-DRUG",
			Says: "Amlodipine was started yesterday after lunch; the set that should follow within a day falls due early this afternoon.",
			tell: newTablet,
		},
		{
			Name: "Two litres down and not measured", StayID: "S117", PatientID: "P4117",
			Patient: "Kwabena Ostrander-Lie", Born: "1951-11-30", Sex: "male",
			Unit: MainUnit, Bed: "10B", Tier: "this_shift", Rule: "T-DUE", Recheck: "due R-VOLUME",
			Says: "On furosemide, first into the vein and then by mouth, " +
				"he is more than two litres down in two days, with no set since yesterday morning.",
			tell: volumeUnchecked,
		},
	}
}

func loopDiureticRaised(c *chart) {
	c.admit(6, "14:05")
	c.has("I50.9", "Heart failure")
	c.has("I10", "Essential hypertension")
	c.level("134/74 76")
	c.levelFrom(1, "06:00", "122/68 80")
	c.setIDs = true
	furosemide := c.home("furosemide", 40, "mg", "oral", "08:00").charted("Furosemide 40 MG Oral Tablet", "C03CA01", "4603")
	furosemide.dose(3, "09:15", 80)
	c.home("lisinopril", 10, "mg", "oral", "08:00")
	c.home("spironolactone", 25, "mg", "oral", "08:00")
	c.set(5, "08:20", lying("138/76 74"), standing(1, "131/76 80"), standing(3, "132/76 80"))
	c.set(4, "08:15", lying("136/76 74"), standing(1, "127/74 82"), standing(3, "128/76 82"))
	c.set(3, "07:10", lying("136/74 76"), standing(1, "125/74 84"), standing(3, "126/74 84"))
	c.set(2, "08:25", lying("132/72 76"), standing(1, "116/70 88"), standing(3, "116/70 88"))
	c.set(1, "08:10", lying("130/70 78"), standing(1, "108/66 92"), standing(3, "109/66 92"))
	c.set(1, "18:15", lying("128/70 78"), standing(1, "102/64 94").feels("lightheadedness"), standing(3, "103/64 96"))
	c.set(0, "07:40", lying("126/70 78"), standing(1, "96/62 98").feels("lightheadedness"), standing(3, "97/62 99"))
	c.balance(4, 1500, 0, 1800)
	c.balance(3, 1450, 0, 1900)
	c.balance(2, 1400, 0, 2500)
	c.balance(1, 1250, 0, 2800)
	c.balance(0, 1150, 0, 2750)
	c.weights(5, 84.8, 84.6, 84.3, 83.5, 82.2, 81.1)
	c.chemistry(5, 4.3, 138, 1.1, 67) // the filtration is that of CKD-EPI 2021 for his age
	c.chemistry(3, 4.2, 138, 1.1, 67)
	c.chemistry(1, 3.8, 135, 1.3, 55)
	c.chemistry(0, 3.6, 133, 1.5, 46)
	c.precautions(2, "09:00", "call light in reach", "bed low and locked", "non-slip footwear")
	c.precautions(1, "08:40", "assisted rising", "toileting schedule")
}

func parkinson(c *chart) {
	c.admit(8, "12:30")
	c.has("G20", "Parkinson's disease")
	c.has("R55", "Syncope, before admission")
	c.level("158/88 64")
	c.setIDs = true
	c.home("levodopa", 1, "tablet", "oral", "07:00", "12:00", "17:00", "21:00").
		charted("Carbidopa 25 MG / Levodopa 100 MG Oral Tablet", "N04BA02", "")
	c.start(5, "10:00", "midodrine", 5, "mg", "oral", "08:00", "12:00", "16:00").newDrug()
	c.set(7, "08:10", lying("162/90 64"), standing(1, "124/76 67"), standing(3, "120/74 69"))
	c.set(6, "08:25", lying("158/88 62"), standing(1, "122/76 65"), standing(3, "118/74 66"))
	c.set(5, "08:00", lying("164/92 64"), standing(1, "124/76 68"), standing(3, "119/74 70"))
	c.set(4, "08:15", lying("166/92 62"), standing(1, "129/78 66"), standing(3, "125/76 67"))
	c.set(3, "07:50", lying("170/94 64"), standing(1, "132/80 68"), standing(3, "128/78 70"))
	c.set(2, "08:20", lying("164/90 66"), standing(1, "130/78 69"), standing(3, "126/78 70"))
	c.set(1, "07:40", lying("168/94 64"), standing(1, "130/80 67"), standing(3, "125/78 69"))
	c.set(0, "06:50", lying("168/92 64"), standing(1, "130/80 68"), standing(3, "127/78 69"))
	c.precautions(7, "09:00", bundle...)
	c.precautions(7, "09:00", "gait belt", "chair alarm")
	c.weights(7, 66.2, 0, 66.4, 0, 66.1, 0, 66.3)
}

func fibrillation(c *chart) {
	c.admit(4, "17:45")
	c.has("I48.0", "Paroxysmal atrial fibrillation")
	c.has("I10", "Essential hypertension")
	c.level("130/76 78")
	c.home("bisoprolol", 5, "mg", "oral", "08:00")
	c.home("apixaban", 5, "mg", "oral", "08:00", "20:00")
	c.set(3, "08:40", lying("134/78 80"), standing(1, "120/72 84"), standing(3, "122/74 85"))
	c.set(2, "08:30", lying("132/78 76"), standing(1, "108/70 82"), standing(3, "113/72 81"))
	c.set(1, "08:20", lying("130/76 78"), standing(1, "108/70 83"), standing(3, "109/70 84").feels("unsteadiness"))
	c.set(0, "08:10", lying("132/78 76"), standing(1, "107/70 81"), standing(3, "108/72 82"))
	c.precautions(1, "08:45", bundle...)
	c.weights(3, 71.5, 71.3, 71.4, 71.2)
}

func sitToStand(c *chart) {
	c.admit(3, "19:30")
	c.has("I50.1", "Left heart failure")
	c.has("I35.0", "Narrowed aortic valve")
	c.level("120/68 84")
	c.setIDs = true
	c.home("bumetanide", 1, "mg", "oral", "08:00", "14:00")
	c.home("empagliflozin", 10, "mg", "oral", "08:00")
	c.set(2, "09:10", sitting("122/70 84"), standing(1, "114/68 90"), standing(3, "115/68 90"))
	c.set(1, "08:45", sitting("120/68 86"), standing(1, "111/66 92"), standing(3, "112/66 92"))
	c.set(0, "08:30", sitting("118/68 84"), standing(1, "101/64 94"), standing(3, "103/64 94").feels("unsteadiness"))
	c.precautions(2, "10:00", bundle...)
	c.weights(2, 77.9, 77.4, 77)
	c.shift(1, "night", 300, 700)
	c.shift(1, "day", 1000, 1300)
	c.shift(0, "night", 0, 650) // the night's drinks were not charted
}

func initialDrop(c *chart) {
	c.admit(1, "16:00")
	c.has("R55", "Syncope on rising")
	c.level("132/78 64")
	c.setIDs = true
	c.set(0, "07:55", lying("138/80 62"), standing(0.5, "94/56 90").feels("lightheadedness"),
		standing(1, "128/78 78"), standing(3, "134/80 74"))
	c.precautions(0, "08:05", bundle...)
}

func fellAndStood(c *chart) {
	c.admit(7, "09:50")
	c.has("S32.0", "Fracture of a lumbar vertebra")
	c.has("M81.0", "Osteoporosis")
	c.level("126/70 74")
	c.home("mirtazapine", 15, "mg", "oral", "21:00")
	c.home("amlodipine", 2.5, "mg", "oral", "08:00")
	c.start(7, "12:00", "paracetamol", 1, "g", "oral", "08:00", "14:00", "20:00")
	c.set(6, "08:30", lying("128/72 74"), standing(1, "118/70 82"), standing(3, "120/72 82"))
	c.set(3, "08:50", lying("126/70 72"), standing(1, "114/70 80"), standing(3, "117/70 80"))
	c.set(0, "00:45", lying("130/74 82"), standing(1, "121/72 90"), standing(3, "122/72 88"))
	c.set(0, "07:50", lying("126/72 76"), standing(1, "116/70 84"), standing(3, "118/72 84"))
	c.precautions(6, "10:00", bundle...)
	c.fell(1, "21:50", "none", "yes", 10*time.Minute)
	c.precautions(1, "22:05", "bed alarm")
	c.plain(1, "22:00", "sitting", "134/76 88")
}

func raisedUnchecked(c *chart) {
	c.admit(5, "18:10")
	c.has("I10", "Essential hypertension")
	c.has("K57.3", "Diverticular disease")
	c.level("148/86 72")
	c.levelFrom(1, "06:00", "136/80 74")
	c.home("lisinopril", 10, "mg", "oral", "08:00").dose(2, "12:30", 20)
	c.set(4, "08:15", lying("152/86 72"), standing(1, "143/86 80"), standing(3, "144/88 80"))
	c.set(2, "08:05", lying("148/86 70"), standing(1, "138/84 78"), standing(3, "140/86 78"))
	c.answered(1, "18:20", "declined", "tired")
	c.weights(4, 90.2, 0, 90.1, 0, 89.8)
}

func oneNegative(c *chart) {
	c.admit(3, "16:15")
	c.has("A09", "Gastroenteritis")
	c.level("122/72 78")
	c.setIDs = true
	c.home("candesartan", 4, "mg", "oral", "08:00").hold(3, "20:00")
	c.set(2, "08:10", lying("120/70 84"), standing(1, "110/68 94"), standing(3, "108/68 96"), standing(8, "95/62 104").feels("dizziness"))
	c.set(1, "08:20", lying("124/72 78"), standing(1, "112/70 88"), standing(3, "114/70 88"))
	c.event(3, "18:40", "out", "emesis", 200)
	c.event(2, "03:15", "out", "stool", 250)
	c.shift(2, "day", 1600, 900)
	c.shift(1, "night", 500, 450)
	c.shift(1, "day", 1500, 0)
	c.precautions(2, "08:30", bundle...)
}

func badMeasurements(c *chart) {
	c.admit(5, "13:00")
	c.has("J44.1", "Chronic obstructive lung disease, worse")
	c.level("136/78 84")
	c.start(5, "14:30", "prednisolone", 30, "mg", "oral", "08:00").until(0, "12:00")
	c.start(5, "14:30", "salbutamol", 2.5, "mg", "inhaled", "08:00", "14:00", "20:00")
	c.set(4, "09:00", lying("138/80 84"), standing(1, "128/78 92"), standing(3, "130/80 92"))
	c.set(2, "08:10", lying("134/78 88").rested(2), standing(1, "126/78 94"), standing(3, "128/78 94"))
	c.set(2, "18:30", lying("138/78 84"), standing(1, "152/84 92").on("left leg"), standing(3, "150/84 92").on("left leg"))
	c.set(1, "08:40", lying("136/78 84"), standing(8, "130/78 90"), standing(10, "132/78 90"))
	// somebody typed 24 for 124
	c.plain(1, "14:10", "sitting", "24/68 88")
	c.precautions(4, "10:00", "call light in reach", "bed low and locked")
}

func newTablet(c *chart) {
	c.admit(4, "10:20")
	c.has("N20.0", "Kidney stone")
	c.has("I10", "Essential hypertension")
	c.level("154/88 76")
	c.setIDs = true
	c.home("losartan", 50, "mg", "oral", "08:00")
	c.start(1, "13:35", "amlodipine", 5, "mg", "oral", "14:00").newDrug()
	c.set(3, "08:20", lying("156/90 76"), standing(1, "146/88 84"), standing(3, "148/90 84"))
	c.set(1, "08:30", lying("158/90 74"), standing(1, "147/88 82"), standing(3, "149/90 82"))
	c.start(4, "12:00", "tramadol", 50, "mg", "oral").give(4, "18:30").give(3, "22:10")
}

func volumeUnchecked(c *chart) {
	c.admit(4, "10:00")
	c.has("I50.9", "Heart failure")
	c.has("N18.3", "Chronic kidney disease, stage 3")
	c.level("128/72 78")
	intoVein := c.start(4, "11:30", "furosemide", 40, "mg", "iv", "12:00", "20:00")
	intoVein.stop(2, "09:30")
	c.start(2, "10:15", "furosemide", 80, "mg", "oral", "11:00")
	c.home("metoprolol", 50, "mg", "oral", "08:00", "20:00").charted("metoprolol succinate 50 MG", "", "6918")
	c.set(3, "08:20", lying("134/76 76"), standing(1, "124/74 82"), standing(3, "126/74 82"))
	c.set(2, "08:10", lying("130/74 78"), standing(1, "119/72 84"), standing(3, "121/72 84"))
	c.set(1, "08:30", lying("128/72 78"), standing(1, "116/70 85"), standing(3, "117/70 85"))
	c.balance(3, 1400, 100, 2600)
	c.balance(2, 1300, 100, 2700)
	c.balance(1, 1300, 0, 2600)
	c.balance(0, 1250, 0, 2500)
	c.weights(3, 92.6, 91.3, 90, 88.9)
	c.precautions(3, "10:00", bundle...)
}
