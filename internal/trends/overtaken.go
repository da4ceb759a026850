package trends

import "time"

// Overtaken says what has come after a negative set, so that it no longer speaks of the
// patient as he is now: a fall, or the start, raise or resumption of a drug that asks for a
// recheck (R-DRUG).
type Overtaken struct {
	At     time.Time // of the fall or the change
	Drug   string    // "" for a fall
	Change string    // of the drug: Started, Raised or Resumed
}

// Overtaken is what has overtaken a negative set by the moment of the digest: the latest
// fall later than its start, else the latest such change at or after it, where T-CLEAR
// begins to count anew too. nil where there is none, and of sets that are not negative.
func (d Digest) Overtaken(set Set) *Overtaken {
	if set.Finding != Negative {
		return nil
	}
	var by *Overtaken
	for _, c := range d.Changes {
		if c.Up() && (c.Lowering || c.OwesRecheck) && !c.At.Before(set.StartedAt) {
			by = &Overtaken{At: c.At, Drug: c.Drug, Change: c.Change}
		}
	}
	fell := false
	for _, f := range d.Falls {
		if f.At.After(set.StartedAt) && (!fell || f.At.After(by.At)) {
			by, fell = &Overtaken{At: f.At}, true
		}
	}
	return by
}
