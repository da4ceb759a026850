package demo

import "time"

// Those whom somebody should see now.
func storiesNow() []Story {
	return []Story{
		{
			Name: "A fall last night", StayID: "S101", PatientID: "P4101", Patient: "Ottilie Brandwick", Born: "1943-03-14", Sex: "female",
			Unit: MainUnit, Bed: "7B", Tier: "now", Rule: "T-FALL", Recheck: "overdue R-FALL",
			Says: "Found beside her bed at ten past five, unhurt; " +
				"nobody has measured her lying and standing since, and three precautions are missing.",
			tell: fallLastNight,
		},
		{
			Name: "A fall with an injury", StayID: "S102", PatientID: "P4102", Patient: "Teodor Vasquelin", Born: "1951-08-02", Sex: "male",
			Unit: MainUnit, Bed: "3A", Tier: "now", Rule: "T-FALL", Recheck: "blocked R-FALL",
			Says: "Fell last evening and needed strips to his forearm; " +
				"the recheck is blocked until the provider clears him to stand, " +
				"and that decision is owed.",
			tell: fallWithInjury,
		},
		{
			Name: "Stopped by faintness on an alpha-1 blocker", StayID: "S103", PatientID: "P4103",
			Patient: "Bartholomew Okonfell", Born: "1949-11-23", Sex: "male",
			Unit: MainUnit, Bed: "10A", Tier: "now", Rule: "T-STOPPED", Recheck: "due R-STOPPED",
			Says: "Doxazosin was started last evening on top of a thiazide; this morning he turned faint after a minute and the set was stopped.",
			tell: alphaBlockerStarted,
		},
		{
			Name: "A bleed with a brisk pulse", StayID: "S104", PatientID: "P4104", Patient: "Ingeborg Halvmark", Born: "1957-06-30", Sex: "female",
			Unit: MainUnit, Bed: "12B", Tier: "now", Rule: "T-LOW", Recheck: "due R-TREATED",
			Says: "Black stools and a haemoglobin falling from 11.8 to 8.6: " +
				"three sets in thirteen hours drop further each time, the pulse racing after, " +
				"the last below 90.",
			tell: bleed,
		},
		{
			Name: "Too low to stand", StayID: "S105", PatientID: "P4105", Patient: "Cosimo Delavarre", Born: "1952-01-19", Sex: "male",
			Unit: MainUnit, Bed: "5A", Tier: "now", Rule: "T-LOW-LYING", Recheck: "scheduled R-REPEAT",
			Says: "With an infection of the urinary tract his lying pressure has sunk to 84 systolic; the standing test was withheld.",
			tell: tooLowToStand,
		},
		{
			Name: "A drop, and precautions missing", StayID: "S106", PatientID: "P4106",
			Patient: "Wilhelmina Castarède", Born: "1948-05-07", Sex: "female",
			Unit: MainUnit, Bed: "9A", Tier: "now", Rule: "T-GAP", Recheck: "scheduled R-POSITIVE",
			Says: "Only the diastolic pressure falls, and she is dizzy; assisted rising and a toileting schedule are not in place.",
			tell: precautionsMissing,
		},
	}
}

func fallLastNight(c *chart) {
	c.admit(4, "15:10")
	c.has("J18.9", "Pneumonia, organism not stated")
	c.has("I10", "Essential hypertension")
	c.level("136/76 76")
	c.home("amlodipine", 5, "mg", "oral", "08:00")
	c.home("zopiclone", 7.5, "mg", "oral", "21:30")
	c.start(4, "16:30", "ceftriaxone", 2, "g", "iv", "17:00").until(0, "16:00")
	c.set(3, "08:35", lying("138/76 78"), standing(1, "128/76 86"), standing(3, "130/78 86"))
	c.set(1, "08:15", lying("134/74 74"), standing(1, "123/74 82"), standing(3, "126/76 82"))
	c.precautions(4, "17:00", "call light in reach", "non-slip footwear", "bed low and locked")
	c.fell(0, "05:10", "none", "no", 25*time.Minute)
	c.plain(0, "05:20", "lying", "142/80 92")
	c.plain(0, "08:40", "sitting", "138/78 84")
	c.weights(3, 58.4, 0, 58.2, 58.3)
}

func fallWithInjury(c *chart) {
	c.admit(5, "11:40")
	c.has("L03.1", "Cellulitis of the leg")
	c.has("E11.9", "Type 2 diabetes")
	c.level("130/72 80")
	c.setIDs = true
	c.home("perindopril", 4, "mg", "oral", "08:00")
	c.home("gabapentin", 300, "mg", "oral", "08:00", "14:00", "21:00")
	c.start(5, "13:00", "enoxaparin", 40, "mg", "subcutaneous", "18:00")
	c.set(4, "09:05", lying("132/74 80"), standing(1, "120/72 88"), standing(3, "122/74 90"))
	c.set(2, "08:25", lying("128/70 78"), standing(1, "114/70 86"), standing(3, "116/70 88"))
	c.precautions(4, "10:00", bundle...)
	c.precautions(1, "20:05", "bed alarm", "floor mat")
	c.fell(1, "19:40", "moderate", "no", 15*time.Minute)
	c.plain(1, "19:50", "lying", "148/82 98")
	c.plain(1, "22:00", "lying", "136/76 84")
}

func alphaBlockerStarted(c *chart) {
	c.admit(3, "13:20")
	c.has("N40.1", "Enlarged prostate with retention")
	c.has("I10", "Essential hypertension")
	c.level("142/82 72")
	c.home("hydrochlorothiazide", 25, "mg", "oral", "08:00")
	c.start(1, "20:30", "doxazosin", 2, "mg", "oral", "21:00").charted("Doxazosin 2 MG Oral Tablet", "C02CA04", "").newDrug()
	c.set(2, "08:10", lying("146/82 70"), standing(1, "136/80 78"), standing(3, "138/82 78"))
	c.set(1, "07:50", lying("144/80 72"), standing(1, "133/80 80"), standing(3, "136/80 80"))
	c.set(0, "07:10", lying("138/78 72"), standing(1, "98/60 98").feels("dizziness;faintness").stop())
	c.plain(0, "07:20", "lying", "132/76 74")
	c.precautions(0, "07:25", bundle...)
	c.shift(2, "night", 350, 600)
	c.shift(2, "day", 1100, 950)
	c.shift(1, "night", 250, 0) // the night's urine was not measured
	c.shift(1, "day", 1200, 1050)
	c.shift(0, "night", 200, 500)
}

func bleed(c *chart) {
	c.admit(1, "18:20")
	c.has("K92.1", "Melaena")
	c.has("K25.4", "Gastric ulcer with haemorrhage")
	c.home("losartan", 50, "mg", "oral", "08:00").hold(1, "20:45")
	c.start(1, "19:00", "pantoprazole", 40, "mg", "iv", "20:00", "08:00")
	c.setIDs = true
	c.set(1, "19:50", lying("124/72 88"), standing(1, "110/68 108"), standing(3, "112/70 106"))
	c.set(0, "02:15", lying("116/68 94"), standing(1, "95/62 122"), standing(3, "96/62 120").feels("lightheadedness"))
	c.set(0, "08:40", lying("108/62 102"), standing(1, "82/54 136").feels("lightheadedness"),
		standing(3, "84/54 134").feels("lightheadedness"))
	c.plain(1, "22:40", "lying", "118/70 92")
	c.plain(0, "04:45", "lying", "112/66 98")
	c.haemoglobin(1, "18:50", 11.8)
	c.haemoglobin(0, "01:30", 10.1)
	c.haemoglobin(0, "08:20", 8.6)
	c.event(1, "22:10", "out", "stool", 300)
	c.event(0, "04:30", "out", "stool", 350)
	c.fluid(c.at(1, "20:00"), c.at(0, "02:00"), "in", "iv", 600)
	c.fluid(c.at(0, "02:00"), c.at(0, "08:00"), "in", "iv", 600)
	c.fluid(c.at(1, "20:00"), c.at(0, "02:00"), "out", "urine", 260)
	c.fluid(c.at(0, "02:00"), c.at(0, "08:00"), "out", "urine", 180)
	c.treated(0, "09:20", "transfusion")
	c.precautions(1, "20:30", bundle...)
	c.precautions(0, "02:40", "sign at bed")
}

func tooLowToStand(c *chart) {
	c.admit(1, "11:15")
	c.has("N39.0", "Urinary tract infection")
	c.has("A41.9", "Sepsis, organism not stated")
	c.home("ramipril", 5, "mg", "oral", "08:00").hold(1, "16:20")
	c.start(1, "12:00", "ceftriaxone", 2, "g", "iv", "12:30")
	c.setIDs = true
	c.set(1, "13:30", lying("114/64 96"), standing(1, "104/62 106"), standing(3, "103/62 108"))
	c.plain(1, "17:20", "", "106/60 98")
	c.plain(1, "22:15", "lying", "98/56 102")
	c.plain(0, "03:40", "lying", "94/54 104")
	c.set(0, "08:50", lying("84/48 110"), sitting("82/46 114").rested(1).later(3*time.Minute))
	c.treated(0, "09:05", "fluid bolus")
	c.event(0, "09:30", "in", "iv", 500)
	c.precautions(1, "14:00", bundle...)
}

func precautionsMissing(c *chart) {
	c.admit(3, "10:30")
	c.has("M54.5", "Low back pain")
	c.has("F32.9", "Depressive episode")
	c.level("130/82 70")
	c.home("candesartan", 8, "mg", "oral", "08:00")
	c.home("sertraline", 50, "mg", "oral", "08:00").charted("Sertraline hydrochloride 50 MG Oral Tablet", "", "36437")
	c.start(3, "12:30", "oxycodone", 5, "mg", "oral").give(3, "21:10").give(2, "22:00").give(1, "21:40")
	c.set(2, "08:20", lying("132/82 70"), standing(1, "126/79 78"), standing(3, "127/80 78"))
	c.set(1, "08:05", lying("130/84 72"), standing(1, "120/78 80"), standing(3, "121/78 80"))
	c.set(0, "07:35", lying("128/84 70"), standing(1, "116/70 80").feels("dizziness"), standing(3, "118/71 80"))
	c.precautions(3, "13:00", "call light in reach", "non-slip footwear", "bed low and locked")
}
