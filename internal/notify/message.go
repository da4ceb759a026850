package notify

import (
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"time"
	"unicode"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// Message is what is told: for a notice the same however often it is sent.
type Message struct {
	ID      string
	JSON    []byte // for a webhook
	Subject string // for an e-mail, with Text
	Text    string
}

// Place is the bed and the name of a patient, and how old the unit's list was. Name is ""
// unless the site has turned names on.
type Place struct {
	Bed, Name string
	List      alerts.Freshness
}

// Site is what the words of messages need.
type Site struct {
	Zone      *time.Location
	PublicURL string // the address of the pages, without a slash at its end; "" where none is set
}

// noticeBody is a notice as a webhook tells it.
type noticeBody struct {
	ID       string    `json:"id"`
	Type     string    `json:"type"`
	Event    string    `json:"event"`
	Kind     string    `json:"kind"`
	Title    string    `json:"title"`
	Rule     string    `json:"rule"`
	Tier     string    `json:"tier"`
	Unit     string    `json:"unit"`
	Bed      string    `json:"bed"`
	Name     string    `json:"name,omitempty"`
	StayID   string    `json:"stay_id"`
	At       time.Time `json:"at"`
	Sentence string    `json:"sentence"`
	OldList  string    `json:"old_list,omitempty"` // that the unit's list was old; U-FRESH
	Link     string    `json:"link"`
}

// NoticeMessage puts a notice into words. They speak of the moment of the event,
// so that every attempt says the same.
func (s Site) NoticeMessage(n records.Notice, p Place) (Message, error) {
	v := n.Event
	body := noticeBody{
		ID: MessageID(n.ID), Type: "notice", Event: string(v.What), Kind: string(v.Kind), Title: text.EpisodeKinds[v.Kind],
		Rule: n.Rule, Tier: tierOf(n), Unit: v.Unit, Bed: p.Bed, Name: p.Name, StayID: v.StayID, At: v.At.UTC(),
		Sentence: text.Plain(s.sentence(n)), Link: s.link(v), OldList: text.Catalogue{Zone: s.Zone, At: v.At}.Stale(p.List),
	}
	out, err := json.Marshal(body)
	if err != nil {
		return Message{}, fmt.Errorf("writing the notice %s: %w", body.ID, err)
	}
	f := text.NoticeFigures{
		Tier: tierWord(body.Tier), Title: clean(body.Title), Rule: clean(n.Rule), At: v.At,
		Unit: charted(v.Unit), Bed: charted(p.Bed), Name: charted(p.Name),
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n\n%s\n", f.Title, text.NoticePlace(f), text.Plain(clean(body.Sentence)))
	if body.OldList != "" {
		fmt.Fprintf(&b, "\n%s\n", body.OldList)
	}
	fmt.Fprintf(&b, "\n%s\n", text.Catalogue{Zone: s.Zone}.NoticeOrigin(f))
	if body.Link != "" {
		fmt.Fprintf(&b, "%s\n", body.Link)
	}
	b.WriteString(foot())
	return Message{ID: body.ID, JSON: out, Subject: text.NoticeSubject(f), Text: b.String()}, nil
}

// foot ends the text of a message, after a line between.
func foot() string { return "\n" + text.MessageFoot() + "\n" }

// sentence is why the episode was opened. What a feed's error says is left to the
// feed page: a name of a file may be a patient's.
func (s Site) sentence(n records.Notice) string {
	figures := n.Figures
	if n.Event.Kind == episodes.FeedStale {
		f, _ := figures.(episodes.FeedFigures)
		f.Why = text.NoticeFeed()
		figures = f
	}
	return text.Catalogue{Zone: s.Zone, At: n.Event.At}.EpisodeWhy(n.Rule, figures)
}

func (s Site) link(v records.EpisodeEvent) string {
	switch {
	case s.PublicURL == "":
		return ""
	case v.Kind == episodes.FeedStale:
		return s.PublicURL + "/feeds"
	}
	return s.PublicURL + "/stays/" + url.PathEscape(v.StayID)
}

// longPart is how many characters of one text of a feed a message tells.
const longPart = 120

// charted is a text of a feed as a part of a line of a message: cleaned, not endless, and
// isolated where it is written from right to left.
func charted(s string) string { return text.Apart(text.Clip(clean(s), longPart)) }

func tierWord(tier string) string { return text.TierNames[tier] }

// clean makes one line of a text that came with data: what breaks or turns a line
// becomes a space, so that no header and no second line can be slipped in.
func clean(s string) string { return oneLine(s, "") }

// oneLine is clean for a text that holds characters of our own which are to stay.
func oneLine(s, ours string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if strings.ContainsRune(ours, r) {
			return r
		}
		if unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp) || r == unicode.ReplacementChar {
			return ' '
		}
		return r
	}, s)), " ")
}
