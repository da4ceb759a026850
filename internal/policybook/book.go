// Package policybook keeps the versions of the policy that were saved in the
// application: who changed what, when and why, what a change would move on the
// list, and which version is in force.
package policybook

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/records"
)

// Store is what the book needs of a store. What is added is never changed.
type Store interface {
	// AddPolicyVersion adds a version after the one with number after; the error carries
	// clinical.Conflict where that is not the latest one any more.
	AddPolicyVersion(ctx context.Context, v records.PolicyVersion, after int64) (records.PolicyVersion, error)
	// LatestPolicyVersion and PolicyVersionOf carry clinical.NotFound where there is none.
	LatestPolicyVersion(ctx context.Context) (records.PolicyVersion, error)
	PolicyVersionOf(ctx context.Context, number int64) (records.PolicyVersion, error)
	// PolicyVersions lists the newest first, without their texts.
	PolicyVersions(ctx context.Context, limit int) ([]records.PolicyVersion, error)
}

// Answers counts what a policy moves on a unit's list; *assess.Service is one.
type Answers interface {
	Units(ctx context.Context) ([]string, error)
	Moves(ctx context.Context, unit string, at time.Time, from, to clinical.Policy) (int, map[assess.Move]int, error)
}

// Book keeps the policy of one site. It may be used from any goroutine.
type Book struct {
	Store   Store
	Answers Answers
	Clock   clinical.Clock
	Log     *slog.Logger
	// InForce is set to each version that comes into force.
	InForce *policy.Switch
	// File, where set, is the name of the policy file that is in force: then no
	// version of the book is.
	File string

	mu    sync.Mutex
	known records.PolicyVersion // the version in force
}

// State is the policy in force and where it comes from.
type State struct {
	Policy  policy.Loaded
	Version records.PolicyVersion // zero: the built-in policy, or the file
	File    string
}

// Current is the policy in force here. Other programs on the same database have it
// as soon as they refresh.
func (b *Book) Current() State {
	b.mu.Lock()
	defer b.mu.Unlock()
	return State{b.InForce.Current(), b.known, b.File}
}

// Refresh puts the latest version in force, if it is not. On an error the policy
// stays as it is. A policy file stays in force whatever the book says.
func (b *Book) Refresh(ctx context.Context) error {
	if b.File != "" {
		return nil
	}
	latest, err := b.Store.LatestPolicyVersion(ctx)
	if clinical.CodeOf(err) == clinical.NotFound {
		return nil // none was saved yet
	}
	if err != nil {
		return err
	}
	return b.adopt(latest)
}

// adopt puts a version in force unless a later one is.
func (b *Book) adopt(v records.PolicyVersion) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if v.Number <= b.known.Number {
		return nil
	}
	l, err := Read(v)
	if err != nil {
		return err
	}
	b.InForce.Set(l)
	b.known = v
	if b.Log != nil {
		b.Log.Info("a version of the policy is in force", "version", v.Number, "hash", l.Hash)
	}
	return nil
}

// Read is the policy of a version. A version that a newer program saved may hold
// keys that this one does not know; then it cannot be read.
func Read(v records.PolicyVersion) (policy.Loaded, error) {
	if v.BuiltIn() {
		return policy.Default(), nil
	}
	l, err := policy.Load([]byte(v.YAML))
	if err != nil {
		return l, clinical.Errorf(clinical.Internal,
			"version %d of the policy cannot be used by this program; was it saved by a newer one? "+
				"Use that program, or name a policy file by --policy. %v", v.Number, err)
	}
	return l, nil
}

// MostVersions bounds the list of versions; older ones are kept and can be asked
// for by their number.
const MostVersions = 200

// Versions lists the versions, the newest first, without their texts.
func (b *Book) Versions(ctx context.Context) ([]records.PolicyVersion, error) {
	return b.Store.PolicyVersions(ctx, MostVersions)
}

// ByNumber is a version with its policy; 0 is the built-in policy. The error
// carries clinical.NotFound where there is none.
func (b *Book) ByNumber(ctx context.Context, number int64) (records.PolicyVersion, policy.Loaded, error) {
	if number == 0 {
		return records.PolicyVersion{}, policy.Default(), nil
	}
	v, err := b.Store.PolicyVersionOf(ctx, number)
	if err != nil {
		return v, policy.Loaded{}, err
	}
	l, err := Read(v)
	return v, l, err
}

// Preview is what a policy would change, compared with the one in force.
type Preview struct {
	Policy   policy.Loaded
	InForce  State
	At       time.Time
	Changes  []policy.Change // none: the two are the same
	Warnings []policy.Warning
	Units    []UnitMoves
}

// UnitMoves counts the patients of a unit whose tier would change at that moment.
// Nobody is named.
type UnitMoves struct {
	Unit     string
	Patients int
	Moved    int
	Moves    []Moved // from the most pressing tier on
}

// Moved is how many patients would go from a tier to another.
type Moved struct {
	From, To string
	Patients int
}

// Preview says what a policy would change. Nothing is changed by it.
func (b *Book) Preview(ctx context.Context, l policy.Loaded) (Preview, error) {
	if err := b.Refresh(ctx); err != nil {
		return Preview{}, err
	}
	p := Preview{Policy: l, InForce: b.Current(), At: b.Clock().UTC().Truncate(time.Minute)}
	p.Changes = policy.Differences(p.InForce.Policy.Policy, l.Policy)
	p.Warnings = policy.Check([]byte(policy.Short(l.Policy))).Warnings
	units, err := b.Answers.Units(ctx)
	if err != nil {
		return p, err
	}
	for _, unit := range units {
		n, moves, err := b.Answers.Moves(ctx, unit, p.At, p.InForce.Policy.Policy, l.Policy)
		if err != nil {
			return p, fmt.Errorf("counting what the policy moves on unit %s: %w", unit, err)
		}
		p.Units = append(p.Units, movesOf(unit, n, moves))
	}
	return p, nil
}

func movesOf(unit string, patients int, moves map[assess.Move]int) UnitMoves {
	u := UnitMoves{Unit: unit, Patients: patients}
	for _, from := range alerts.Tiers {
		for _, to := range alerts.Tiers {
			if n := moves[assess.Move{From: from, To: to}]; n > 0 {
				u.Moved += n
				u.Moves = append(u.Moves, Moved{from, to, n})
			}
		}
	}
	return u
}

// Change is what somebody asks of the book.
type Change struct {
	After int64  // the version that they had before them
	Seen  string // hash of the policy whose preview they have seen
	Who   string
	Note  string // why; see CheckNote
}

// ErrUnseen is the error of a change whose preview was not seen.
var ErrUnseen = clinical.Errorf(clinical.Invalid, "what this policy changes was not seen before saving; look at it, then save")

// ErrUnchanged is the error of a change that changes nothing.
var ErrUnchanged = clinical.Errorf(clinical.Invalid, "nothing changes: the policy in force has the same values")

// Save puts a policy in force as the next version. Errors carry clinical.Invalid
// (the note, ErrUnseen, ErrUnchanged) or clinical.Conflict: another version was
// saved since, or a policy file is in force.
func (b *Book) Save(ctx context.Context, l policy.Loaded, c Change) (records.PolicyVersion, error) {
	return b.add(ctx, l, nil, c)
}

// Return puts an earlier version in force again as the next version; 0 is the
// built-in policy. The errors are those of Save, and clinical.NotFound.
func (b *Book) Return(ctx context.Context, number int64, c Change) (records.PolicyVersion, error) {
	v, l, err := b.ByNumber(ctx, number)
	if err != nil {
		return v, err
	}
	if v.BuiltIn() {
		number = 0
	}
	return b.add(ctx, l, &number, c)
}

func (b *Book) add(ctx context.Context, l policy.Loaded, returnsTo *int64, c Change) (records.PolicyVersion, error) {
	if b.File != "" {
		return records.PolicyVersion{}, clinical.Errorf(clinical.Conflict,
			"the policy file %s is in force; change the file and start the program again", b.File)
	}
	note, err := CheckNote(c.Note)
	switch {
	case c.Seen != l.Hash:
		return records.PolicyVersion{}, ErrUnseen
	case err != nil:
		return records.PolicyVersion{}, err
	}
	if err := b.Refresh(ctx); err != nil {
		return records.PolicyVersion{}, err
	}
	v := records.PolicyVersion{SavedAt: b.Clock(), Who: c.Who, Note: note, YAML: policy.Short(l.Policy), Hash: l.Hash, ReturnsTo: returnsTo}
	now := b.Current()
	// The same values as a return to the built-in policy are a change: from then on
	// they are those of whatever program runs.
	follows := v.ReturnsTo != nil && *v.ReturnsTo == 0 && !now.Version.BuiltIn()
	if now.Version.Number == c.After && now.Policy.Hash == l.Hash && !follows {
		return records.PolicyVersion{}, ErrUnchanged
	}
	v, err = b.Store.AddPolicyVersion(ctx, v, c.After)
	if err != nil {
		if clinical.CodeOf(err) == clinical.Conflict {
			_ = b.Refresh(ctx) // to name what was saved in between; the next one tries again
		}
		return v, err
	}
	return v, b.adopt(v)
}

// MaxNote is the longest note in characters.
const MaxNote = 500

// CheckNote is the note of a change as it is kept. It must say something, on one
// line; the error carries clinical.Invalid.
func CheckNote(note string) (string, error) {
	note = strings.Join(strings.Fields(note), " ")
	switch {
	case note == "":
		return "", clinical.Errorf(clinical.Invalid, "a note is missing: say why the policy changes, and who agreed")
	case utf8.RuneCountInString(note) > MaxNote:
		return "", clinical.Errorf(clinical.Invalid, "the note is too long: at most %d characters", MaxNote)
	case !utf8.ValidString(note) || slices.ContainsFunc([]rune(note), unicode.IsControl):
		return "", clinical.Errorf(clinical.Invalid, "the note holds control characters; type it again")
	}
	return note, nil
}
