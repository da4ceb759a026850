package patient

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/report"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// historyPage is how many facts a page of the history holds.
const historyPage = 50

// historyView is every fact of a stay with its versions.
type historyView struct {
	frame.Layout
	Moment *frame.Moment
	AsOf   bool
	Self   string     // of the stay, as it stands
	Stay   frame.Link // at the moment asked for

	Bed, Name, PatientID, StayID string

	Kinds      []kindChoice
	Query      historyQuery
	Hidden     string // the moment asked for, kept by the form of filters
	Facts      []factView
	From, Last int // of the facts on this page, counted from 1
	All        int // facts of this filter
	Newer      string
	Older      string
}

type kindChoice struct {
	Kind, Name string
	N          int
	On         bool
}

// historyQuery is what is asked of the history.
type historyQuery struct {
	Kind    clinical.Kind // "" is every kind
	Several bool          // only facts with more than one version
	Page    int           // from 1
}

type factView struct {
	Kind, ID string
	At       *frame.Moment // nil where the fact has no time of its own
	State    string        // used, part, not-used or removed
	Word     string
	WhyNot   string
	Versions []factVersionView
}

type factVersionView struct {
	Recorded *frame.Moment // nil where it holds from admission
	Stated   bool
	Status   string
	Where    string
	Values   string   // of the first version; "" where it is told by what it replaced
	Replaced []string // against the version before
	Counts   bool     // the last of several
}

// history shows who charted what and when: every fact of the stay with all
// versions known at the moment asked for.
func (s *service) history(c *frame.Request) (frame.Page, error) {
	when, view := frame.StayOf(c).When, frame.StayOf(c).View
	q, ok := historyQueryOf(c)
	if !ok {
		return frame.Tell(http.StatusBadRequest, text.Say("history.no-such"), text.Say("history.no-such-says"))
	}
	facts := report.HistoryOf(view.Chart, view.Policy.Policy.Plausible)
	by, err := s.chartedBy(c.Request.Context(), view.Assessment.Digest.StayID)
	if err != nil {
		return nil, err
	}
	t := s.Times(when.At, when.Live)
	d := view.Assessment.Digest
	f := s.Layout(c, text.Say("history.title", d.StayID))
	v := historyView{
		Moment: t.Moment(when.At), AsOf: !when.Live, Self: frame.HistoryURL(d.StayID),
		Stay: frame.Link{Name: d.StayID, URL: frame.StayURL(d.StayID)},
		Bed:  d.Stay.Bed, Name: d.Stay.Name, PatientID: d.Stay.PatientID, StayID: d.StayID,
		Kinds: kindChoices(facts, q.Kind), Query: q,
	}
	if when.Live {
		f = f.Live(when.At)
	} else {
		v.Hidden = when.At.UTC().Format(time.RFC3339)
		v.Stay.URL += frame.AsOfQuery(when.At)
	}
	v.Layout = f
	facts = slices.DeleteFunc(facts, func(f report.FactHistory) bool {
		return q.Kind != "" && f.Kind != q.Kind || q.Several && len(f.Versions) < 2
	})
	v.lay(t, facts, by)
	return frame.Show(http.StatusOK, "history", v)
}

// historyQueryOf reads the filters; ok is false for what the page itself never asks.
func historyQueryOf(c *frame.Request) (q historyQuery, ok bool) {
	q = historyQuery{Kind: clinical.Kind(c.Query("kind")), Several: c.Query("several") != "", Page: 1}
	if q.Kind != "" && !slices.Contains(clinical.Kinds, q.Kind) {
		return q, false
	}
	if page := c.Query("page"); page != "" {
		n, err := strconv.Atoi(page)
		if err != nil || n < 1 {
			return q, false
		}
		q.Page = n
	}
	return q, true
}

// kindChoices are the kinds that the stay has facts of.
func kindChoices(facts []report.FactHistory, chosen clinical.Kind) []kindChoice {
	count := map[clinical.Kind]int{}
	for _, f := range facts {
		count[f.Kind]++
	}
	out := []kindChoice{{"", text.Say("history.every-kind"), len(facts), chosen == ""}}
	for _, k := range clinical.Kinds {
		if count[k] > 0 || k == chosen {
			out = append(out, kindChoice{string(k), text.FactKind(k), count[k], k == chosen})
		}
	}
	return out
}

// lay puts the facts of the page asked for.
func (v *historyView) lay(t frame.Times, facts []report.FactHistory, by charted) {
	v.All = len(facts)
	first := min((v.Query.Page-1)*historyPage, len(facts))
	last := min(first+historyPage, len(facts))
	v.From, v.Last = first+1, last
	if first > 0 {
		v.Newer = v.address(v.Query.Page - 1)
	}
	if last < len(facts) {
		v.Older = v.address(v.Query.Page + 1)
	}
	for _, f := range facts[first:last] {
		v.Facts = append(v.Facts, factOf(t, f, by))
	}
}

// address is the page of the same filter with another number.
func (v *historyView) address(page int) string {
	q := url.Values{}
	if v.Query.Kind != "" {
		q.Set("kind", string(v.Query.Kind))
	}
	if v.Query.Several {
		q.Set("several", "yes")
	}
	if v.Hidden != "" {
		q.Set("as_of", v.Hidden)
	}
	if page > 1 {
		q.Set("page", strconv.Itoa(page))
	}
	if len(q) == 0 {
		return frame.HistoryURL(v.StayID)
	}
	return frame.HistoryURL(v.StayID) + "?" + q.Encode()
}

func factOf(t frame.Times, f report.FactHistory, by charted) factView {
	v := factView{Kind: text.FactKind(f.Kind), ID: f.SourceID, WhyNot: f.WhyNot}
	if f.At != nil {
		v.At = t.Moment(*f.At)
	}
	switch {
	case f.Removed:
		v.State, v.Word = "removed", text.Say("history.removed")
	case !f.Used:
		v.State, v.Word = "not-used", text.Say("history.not-used")
	case f.WhyNot != "":
		v.State, v.Word = "part", text.Say("history.part")
	default:
		v.State, v.Word = "used", text.Say("history.used")
	}
	for n := len(f.Versions) - 1; n >= 0; n-- { // the one that counts first
		one := versionOf(t, f.Versions[n], by)
		one.Counts = n == len(f.Versions)-1 && n > 0
		v.Versions = append(v.Versions, one)
	}
	return v
}

func versionOf(t frame.Times, f report.FactVersion, by charted) factVersionView {
	v := factVersionView{Stated: f.Stated, Status: string(f.Status)}
	if f.RecordedAt != nil {
		v.Recorded = t.MomentAgo(*f.RecordedAt)
	}
	v.Where = text.Say("history.where", f.Feed, f.File, f.Line)
	if who := by.who(f); who != "" {
		v.Where = text.Say("history.charted-by", who)
	}
	for _, r := range f.Changed {
		v.Replaced = append(
			v.Replaced, text.Say("history.replaced", columnName(r.Column), valueOf(t, r.Was), valueOf(t, r.Now)),
		)
	}
	if len(v.Replaced) == 0 {
		v.Values = valuesOf(t, f.Values)
	}
	return v
}

func columnName(column string) string {
	if column == "at" {
		return text.Say("history.own-time")
	}
	return strings.ReplaceAll(column, "_", " ")
}

// columnOrder is the order in which people read the columns; the rest follows by name.
var columnOrder = []string{
	"systolic", "diastolic", "heart_rate", "position", "minutes_in_position", "limb", "symptoms", "stopped_early",
	"drug", "dose", "dose_unit", "times_per_day", "route", "as_needed", "new_drug", "precaution", "injury", "assisted",
	"icd10", "text", "direction", "kind", "volume", "volume_unit", "from", "to", "weight", "weight_unit", "loinc",
	"value", "unit", "bed",
}

func columnRank(column string) int {
	if n := slices.Index(columnOrder, column); n >= 0 {
		return n
	}
	return len(columnOrder)
}

// values writes the values of a version that were charted, by column.
func valuesOf(t frame.Times, values map[string]any) string {
	columns := slices.SortedFunc(maps.Keys(values), func(a, b string) int {
		return cmp.Or(columnRank(a)-columnRank(b), strings.Compare(a, b))
	})
	var parts []string
	for _, column := range columns {
		if said := valueOf(t, values[column]); said != text.Say("history.none") && column != "at" {
			parts = append(parts, columnName(column)+" "+said)
		}
	}
	return strings.Join(parts, " · ")
}

// value writes one value as charted after conversion of units: nothing is rounded.
func valueOf(t frame.Times, v any) string {
	switch v := v.(type) {
	case nil:
	case time.Time:
		return t.Time(v)
	case *time.Time:
		if v != nil {
			return t.Time(*v)
		}
	case []string:
		if len(v) > 0 {
			return text.List(v)
		}
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	default:
		return fmt.Sprint(v)
	}
	return text.Say("history.none")
}
