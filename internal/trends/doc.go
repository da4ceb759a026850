// Package trends turns what is known of one stay into findings: orthostatic
// sets, their quality, what they show over days, and what surrounds them.
//
// Every function is pure: facts, policy and the moment asked for come in, and
// figures come out. Rule numbers (S-INFER, F-SYS, T-SLOPE ...) are those of
// docs/rules.md, which gives the source of each.
package trends

// Fixed figures, from published definitions; docs/rules.md names the source
// of each. They are constants because a site that changed them would no longer
// report what the definition names.
const (
	systolicDrop         = 20.0 // mmHg, F-SYS
	diastolicDrop        = 10.0 // mmHg, F-DIA
	seatedSystolicDrop   = 15.0 // mmHg, from sitting
	seatedDiastolicDrop  = 7.0  // mmHg, from sitting
	lowSystolic          = 90.0 // mmHg, F-LOW and a low lying pressure
	supineDrop           = 30.0 // mmHg, stricter criterion in supine hypertension
	pulseRise            = 30.0 // beats/min
	pulseRiseYoung       = 40.0 // beats/min under age 20
	youngAge             = 20   // years
	restMinutes          = 5.0  // min lying or sitting before the baseline
	initialMinutes       = 0.5  // min upright
	initialSystolicDrop  = 40.0 // mmHg, more than
	initialDiastolicDrop = 20.0 // mmHg, more than
	classicMinutes       = 3.5  // min upright: 3, with half a minute of grace
	bluntedRatio         = 0.5  // beats/min per mmHg
	targetMinutes        = 3.0  // min upright, the reading that the ratio is taken at
)
