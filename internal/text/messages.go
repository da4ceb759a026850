package text

import "time"

// NoticeFigures are what a message about one episode tells besides its sentence.
type NoticeFigures struct {
	Tier, Title, Rule string
	Unit, Bed, Name   string // "" for none; all three are of what is owed of a feed
	At                time.Time
}

// NoticePlace says whom a message is about: unit, bed and, where names are told, the name.
func NoticePlace(f NoticeFigures) string { return sayNoticePlace(Catalogue{}, f) }

// NoticeSubject is the subject of a message about one episode.
func NoticeSubject(f NoticeFigures) string { return sayNoticeSubject(Catalogue{}, f) }

// NoticeOrigin says by which rule a message came, how pressing it is and since when it holds.
func (c Catalogue) NoticeOrigin(f NoticeFigures) string { return sayNoticeOrigin(c, f) }

// NoticeFeed stands in a message for the error of a feed, which is not told.
func NoticeFeed() string { return sayNoticeFeed(Catalogue{}, none{}) }

// BriefingFigures are what the head of a briefing tells: of which huddle's date it is, as of
// when, how many episodes are owed, and the lists of which units are old.
type BriefingFigures struct {
	Date string
	At   time.Time
	Owed int
	Old  []string
}

// BriefingSubject is the subject of a briefing.
func BriefingSubject(f BriefingFigures) string { return sayBriefing(Catalogue{}, f) }

// BriefingLead begins a briefing.
func (c Catalogue) BriefingLead(f BriefingFigures) string { return sayBriefingLead(c, f) }

// BriefingUnit heads what is owed on a unit, "" for the feeds.
func BriefingUnit(unit string) string { return sayBriefingUnit(Catalogue{}, unit) }

// BriefingLine are the figures of one line of a briefing: how many episodes of a kind are
// owed, how many of them somebody has taken or put off, and for how long the oldest is owed.
type BriefingLine struct {
	Tier, Title            string
	Count, Taken, Deferred int
	Oldest                 time.Duration
}

// String is the line.
func (l BriefingLine) String() string { return sayBriefingLine(Catalogue{}, l) }

// BriefingFalls are how many falls of a briefing were on drugs that make a fall bleed, and on
// which.
type BriefingFalls struct {
	Falls int
	Drugs []string
}

// String says so, without saying whose the falls were.
func (f BriefingFalls) String() string { return sayBriefingBleed(Catalogue{}, f) }

// BriefingNothing says that nothing is owed.
func BriefingNothing() string { return sayBriefingNone(Catalogue{}, none{}) }

// BriefingAdministrator heads what a briefing tells the administrator of the feeds.
func BriefingAdministrator() string { return sayBriefingAdministrator(Catalogue{}, none{}) }

// BriefingCommissioning says that a unit is in commissioning.
func BriefingCommissioning(unit string) string { return sayBriefingCommissioning(Catalogue{}, unit) }

// MessageFoot ends every message.
func MessageFoot() string { return sayMessageFoot(Catalogue{}, none{}) }
