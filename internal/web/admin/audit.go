package admin

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

const auditPage = 100 // entries

type auditView struct {
	frame.Layout
	OfWho, OfStay, OfUnit string // asked for
	Entries               []auditLine
	Older                 string // the address of older ones; "" where there are none
	Head                  string
}

type auditLine struct {
	N                                        int64
	At, Who, From, Did, What, Unit, Stay, As string
	Outcome, Note                            string
}

// auditPage lists who saw or changed what, the newest first: of everybody, of one
// account, of one stay, or of one unit: whoever opened a list of the unit saw every
// patient on it, and the entry names none of them.
func (s *service) auditPage(c *frame.Request) (frame.Page, error) {
	q := records.AuditQuery{
		Who: strings.TrimSpace(c.Query("who")), StayID: strings.TrimSpace(c.Query("stay")),
		Unit: strings.TrimSpace(c.Query("unit")), Limit: auditPage + 1, Newest: true,
	}
	if before := c.Query("before"); before != "" {
		n, err := strconv.ParseInt(before, 10, 64)
		if err != nil || n < 1 {
			return frame.Tell(http.StatusBadRequest, text.Say("audit.no-part"), text.Say("audit.no-part-says"))
		}
		q.Before = n
	}
	if err := s.Noted(
		c, records.AuditEntry{Did: audit.View, Stay: q.StayID, Unit: q.Unit, Outcome: frame.Allowed, Note: "the audit"},
	); err != nil {
		return nil, err
	}
	var entries []records.AuditEntry
	n, hash, err := s.Audit(c.Request.Context(), q, func(e records.AuditEntry) error {
		entries = append(entries, e)
		return nil
	})
	if err != nil {
		return nil, err
	}
	v := auditView{
		Layout: s.Layout(c, text.Say("audit.heading")).At("/audit"), OfWho: q.Who, OfStay: q.StayID, OfUnit: q.Unit,
		Head: audit.Head{N: n, Hash: hash}.String(),
	}
	if len(entries) > auditPage {
		entries = entries[:auditPage]
		v.Older = "/audit?" + url.Values{
			"who": {q.Who}, "stay": {q.StayID}, "unit": {q.Unit}, "before": {strconv.FormatInt(entries[auditPage-1].N, 10)},
		}.Encode()
	}
	for _, e := range entries {
		l := auditLine{
			N: e.N, At: s.seconds(e.At), Who: e.Who, From: e.From, Did: e.Did, What: e.What, Unit: e.Unit, Stay: e.Stay,
			Outcome: e.Outcome, Note: e.Note,
		}
		if !e.AsOf.IsZero() {
			l.As = s.seconds(e.AsOf)
		}
		v.Entries = append(v.Entries, l)
	}
	return frame.Show(http.StatusOK, "audit", v)
}

func (s *service) seconds(t time.Time) string { return t.In(s.Zone).Format("2006-01-02 15:04:05") }

// AuditReader hands each entry that is asked for to a function, and tells where the chain
// ends; Audit of *store.Store is one.
type AuditReader func(
	ctx context.Context, q records.AuditQuery, each func(records.AuditEntry) error,
) (headN int64, headHash []byte, err error)
