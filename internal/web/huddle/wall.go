package huddle

import (
	"net/http"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// wallView is a unit for a display that is read from four metres: beds alone, no names.
type wallView struct {
	frame.Layout
	Server string // the moment to the second, for the clock
	Unit   string
	Moment *frame.Moment
	Counts []countView
	Newest *frame.Moment
	Beds   []wallBed
}

// wallBed is a bed on the wall.
type wallBed struct {
	Bed, Tier, TierName string
	Things              []thingView // what is owed, in a few words
	More                int         // how many more things are owed
	Marks               []markView
	Line                string // why the bed stands where it does, where nothing is owed
	State               string // all of it: what changes is marked
}

// wallThings is how many things that are owed a bed has room for.
const wallThings = 2

// wallPage is the wall of a unit for whoever is signed in.
func (s *service) wallPage(c *frame.Request) (frame.Page, error) {
	return s.showWall(c, c.Param("unit"))
}

// screenWall is that of a display that was enrolled, which has one unit.
func (s *service) screenWall(c *frame.Request) (frame.Page, error) {
	return s.showWall(c, frame.AccountOf(c).Units[0])
}

func (s *service) showWall(c *frame.Request, unit string) (frame.Page, error) {
	ctx, when := c.Request.Context(), frame.Asked{At: s.Minute(), Live: true}
	kept, err := s.answerAbout(ctx, unit, when)
	if err != nil {
		return nil, err
	}
	fresh := s.FreshOf(ctx, unit, kept.answer.list, when.At)
	l := s.listerOf(ctx, unit, when, kept.answer, fresh, sight{}, choice{}, s.standingOn(ctx, unit, when, kept.answer))
	v := wallView{Server: s.Clock().UTC().Format(time.RFC3339), Unit: unit, Moment: l.Moment(when.At), Counts: l.counts()}
	if fresh.Newest != nil {
		v.Newest = l.MomentAgo(*fresh.Newest)
	}
	for _, a := range kept.answer.list {
		v.Beds = append(v.Beds, l.wallBed(a))
	}
	v.Layout = s.LayoutOf(c, text.Say("wall.title", unit), fresh, when).Live(when.At)
	v.Refresh = true
	return frame.Show(http.StatusOK, "wall", v)
}

func (l lister) wallBed(a alerts.Assessment) wallBed {
	line := l.lineView(a)
	b := wallBed{
		Bed: a.Digest.Stay.Bed, Tier: a.Tier, TierName: text.TierNames[a.Tier], Things: line.Things, Marks: line.Marks,
	}
	if len(b.Things) == 0 {
		b.Line = line.Line
	}
	b.State = a.Tier + "|" + b.Line
	for _, t := range b.Things {
		b.State += "|" + t.Kind + " " + t.State + " " + t.Clock
	}
	for _, m := range b.Marks {
		b.State += "|" + m.Kind
	}
	if len(b.Things) > wallThings {
		b.More, b.Things = len(b.Things)-wallThings, b.Things[:wallThings]
	}
	if b.Bed == "" {
		b.Bed = text.Say("huddle.no-bed")
	}
	return b
}
