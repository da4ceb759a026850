package store

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Parts are rows of which facts are composed (records.Part). The store keeps every version
// of them by topic, and notes which topics must be composed before the transaction ends:
// those in which a new version takes part, or took part before, and those for which one of
// them was looked at, unless it still says the same.

// chunkParts is how many parts are gathered before they are written.
var chunkParts = 500 // tests make it smaller

// partRow is a version of a part as it stands in feed_parts.
type partRow struct {
	ID         int64 `gorm:"primaryKey"`
	Feed       string
	PartID     string
	RecordedAt int64
	Kind       string
	Home       string
	Topics     string
	Body       []byte
	File       string
	Reading    int64
	Line       int
	Hash       []byte
	LoadID     int64
	State      string

	topics []records.Topic
	beside bool // said beside a row, and not counted
}

func (partRow) TableName() string { return "feed_parts" }

func (r *partRow) place() place { return place{r.File, r.Reading, r.Line} }

// version names the version among those of its feed.
func (r *partRow) version() string { return fmt.Sprintf("%s %d %x", r.PartID, r.RecordedAt, r.Hash) }

// partTopicRow says that a part takes part in a topic.
type partTopicRow struct {
	Feed   string `gorm:"primaryKey"`
	Topic  string `gorm:"primaryKey"`
	PartID string `gorm:"primaryKey"`
	Says   string
}

func (partTopicRow) TableName() string { return "feed_part_topics" }

// repeatedPartRow is a part that a load brought again.
type repeatedPartRow struct {
	LoadID     int64
	Feed       string
	PartID     string
	RecordedAt int64
	Hash       []byte
	File       string
	Line       int
}

func (repeatedPartRow) TableName() string { return "repeated_parts" }

// partRowOf brings a part to its stored form. A part without a topic says nothing.
func (b *batch) partRowOf(p records.Part) (partRow, error) {
	if len(p.Topics) == 0 {
		return partRow{}, clinical.Errorf(clinical.Internal, "the part %s of the feed %s has no topic", p.ID, p.Feed)
	}
	r := partRow{
		Feed: plain(p.Feed), PartID: plain(p.ID), RecordedAt: micros(p.RecordedAt), Kind: plain(string(p.Kind)),
		Body: someBytes(p.Body), File: plain(p.File), Reading: b.reading, Line: p.Line, LoadID: b.load.ID,
	}
	names := make([]string, len(p.Topics))
	for n, t := range p.Topics {
		names[n] = plain(t.Name)
		r.topics = append(r.topics, records.Topic{Name: names[n], Says: plain(t.Says)})
	}
	r.Home = names[0]
	text, err := json.Marshal(names)
	r.Topics = string(text)
	var s []byte
	for _, part := range [][]byte{[]byte(r.Kind), text, r.Body} {
		s = binary.AppendUvarint(s, uint64(len(part)))
		s = append(s, part...)
	}
	sum := sha256.Sum256(s)
	r.Hash = sum[:16]
	return r, err
}

// part is the stored part, as its reader knows it.
func (r *partRow) part() (p records.Part, err error) {
	p = records.Part{
		Feed: r.Feed, ID: r.PartID, RecordedAt: fromMicros(r.RecordedAt), File: r.File, Line: r.Line,
		Kind: clinical.Kind(r.Kind), Body: r.Body, Reading: r.Reading,
	}
	var names []string
	err = json.Unmarshal([]byte(r.Topics), &names)
	for _, name := range names {
		p.Topics = append(p.Topics, records.Topic{Name: name})
	}
	return p, err
}

// Part implements records.Batch.
func (b *batch) Part(p records.Part) error {
	if b.err == nil {
		b.result.Rows++
	}
	return b.addPart(p, false)
}

// Beside implements records.Batch.
func (b *batch) Beside(p records.Part) error { return b.addPart(p, true) }

func (b *batch) addPart(p records.Part, beside bool) error {
	if b.err != nil {
		return b.err
	}
	var row partRow
	if row, b.err = b.partRowOf(p); b.err != nil {
		return b.err
	}
	if row.beside = beside; beside {
		row.LoadID = -b.load.ID // counted by no load
	}
	b.parts = append(b.parts, row)
	if len(b.parts) >= chunkParts {
		b.err = b.flushParts()
	}
	return b.err
}

// flushParts writes the parts gathered, and notes which topics they change.
func (b *batch) flushParts() error {
	if b.wait(); b.err != nil || len(b.parts) == 0 {
		return b.err
	}
	gathered := b.parts
	b.parts = b.parts[:0]
	byFeed := map[string][]*partRow{}
	for n := range gathered {
		byFeed[gathered[n].Feed] = append(byFeed[gathered[n].Feed], &gathered[n])
	}
	for feed, rows := range byFeed {
		if err := b.writeParts(feed, rows); err != nil {
			return fmt.Errorf("keeping parts: %w", err)
		}
	}
	return nil
}

func (b *batch) writeParts(feed string, rows []*partRow) error {
	held, err := b.partsHeld(feed, rows)
	if err != nil {
		return err
	}
	var fresh []*partRow
	var repeated []repeatedPartRow
	var changed []*partRow
	for _, r := range rows {
		was, known := held[r.version()]
		if !known {
			held[r.version()] = r
			fresh, changed = append(fresh, r), append(changed, r)
			continue
		}
		if again, counts := b.repeatedPart(feed, was, r); counts {
			repeated = append(repeated, again)
		}
		if !was.place().before(r.place()) || was.place().sameReadAgain(r.place()) && !rivals(held, was) {
			continue
		}
		if err := b.movePart(was, r); err != nil {
			return err
		}
		changed = append(changed, r)
	}
	if len(fresh) > 0 {
		if err := b.tx.CreateInBatches(fresh, 100).Error; err != nil {
			return err
		}
	}
	if len(repeated) > 0 {
		if err := b.tx.CreateInBatches(repeated, 200).Error; err != nil {
			return err
		}
	}
	for _, r := range changed {
		if !last(held, r) { // what it says is not what its topics learn of the part
			r.topics = slices.Clone(r.topics)
			for n := range r.topics {
				r.topics[n].Says = ""
			}
		}
	}
	return b.noteTopics(feed, changed)
}

// repeatedPart notes a part that is held already; one that stands beside a row does not count.
func (b *batch) repeatedPart(feed string, was, r *partRow) (again repeatedPartRow, counts bool) {
	if r.beside {
		return again, false
	}
	b.result.Unchanged++
	again = repeatedPartRow{b.load.ID, feed, r.PartID, r.RecordedAt, r.Hash, r.File, r.Line}
	if was.LoadID == b.load.ID && was.place().before(r.place()) { // each place of the load stays named once
		again.File, again.Line = was.File, was.Line
	}
	return again, true
}

// partsHeld are the versions held of the parts of which the rows are versions.
func (b *batch) partsHeld(feed string, rows []*partRow) (map[string]*partRow, error) {
	ids := make([]string, len(rows))
	for n, r := range rows {
		ids[n] = r.PartID
	}
	var held []*partRow
	err := b.tx.Select("id, part_id, recorded_at, hash, file, reading, line, load_id").
		Find(&held, "feed = ? AND part_id IN ?", feed, distinct(ids)).Error
	out := map[string]*partRow{}
	for _, r := range held {
		out[r.version()] = r
	}
	return out, err
}

// rivals tells whether another version of the part was recorded at the same moment: only
// there does it matter where it stood.
func rivals(held map[string]*partRow, r *partRow) bool {
	for _, other := range held {
		if other.PartID == r.PartID && other.RecordedAt == r.RecordedAt && !bytes.Equal(other.Hash, r.Hash) {
			return true
		}
	}
	return false
}

// last tells whether no other version of the part comes after it.
func last(held map[string]*partRow, r *partRow) bool {
	for _, other := range held {
		if other.PartID != r.PartID {
			continue
		}
		c := cmp.Compare(other.RecordedAt, r.RecordedAt)
		if c == 0 && r.place() != other.place() && r.place().before(other.place()) {
			c = 1
		}
		if c == 0 && r.place() == other.place() {
			c = bytes.Compare(other.Hash, r.Hash)
		}
		if c > 0 {
			return false
		}
	}
	return true
}

// movePart gives a version the larger place where it now stands. One that is about to be
// stored has no number yet.
func (b *batch) movePart(was, to *partRow) error {
	was.File, was.Reading, was.Line = to.File, to.Reading, to.Line
	if was.ID == 0 {
		return nil
	}
	return b.tx.Exec("UPDATE feed_parts SET file = ?, reading = ?, line = ? WHERE id = ?", to.File, to.Reading, to.Line, was.ID).Error
}

// noteTopics notes in which topics the new versions take part, and which topics must be
// composed because of them.
func (b *batch) noteTopics(feed string, rows []*partRow) error {
	if len(rows) == 0 {
		return nil
	}
	ids := make([]string, len(rows))
	for n, r := range rows {
		ids[n] = r.PartID
	}
	var held []partTopicRow
	if err := b.tx.Find(&held, "feed = ? AND part_id IN ?", feed, distinct(ids)).Error; err != nil {
		return err
	}
	n := topicNotes{feed: feed, known: map[string]map[string]string{}, touched: map[string]bool{}, told: map[string]bool{}}
	for _, t := range held {
		n.of(t.PartID)[t.Topic] = t.Says
	}
	for _, r := range rows {
		n.add(r)
	}
	return n.write(b)
}

// topicNotes gathers what new versions of parts change.
type topicNotes struct {
	feed    string
	known   map[string]map[string]string // by part and topic: what it says
	touched map[string]bool              // topics with a new version
	told    map[string]bool              // topics that say something new to those who look at them
	fresh   []partTopicRow
}

func (n *topicNotes) of(part string) map[string]string {
	if n.known[part] == nil {
		n.known[part] = map[string]string{}
	}
	return n.known[part]
}

func (n *topicNotes) add(r *partRow) {
	known, names := n.of(r.PartID), map[string]bool{}
	for _, t := range r.topics {
		names[t.Name] = true
		n.touched[t.Name] = true
		if said, had := known[t.Name]; !had || said != t.Says || t.Says == "" {
			n.set(r.PartID, t.Name, t.Says)
		}
	}
	for topic, said := range known {
		if names[topic] {
			continue
		}
		n.touched[topic] = true // the part has moved away from it
		if said != "" {
			n.set(r.PartID, topic, "")
		}
		n.told[topic] = true
	}
}

func (n *topicNotes) set(part, topic, says string) {
	n.of(part)[topic] = says
	n.told[topic] = true
	n.fresh = append(n.fresh, partTopicRow{n.feed, topic, part, says})
}

func (n *topicNotes) write(b *batch) error {
	last := map[[2]string]int{} // a statement must not write one row twice
	for i, t := range n.fresh {
		last[[2]string{t.Topic, t.PartID}] = i
	}
	rows := make([]partTopicRow, 0, len(last))
	for i, t := range n.fresh {
		if last[[2]string{t.Topic, t.PartID}] == i {
			rows = append(rows, t)
		}
	}
	for part := range parts(rows, 200) {
		values := make([]any, 0, 4*len(part))
		for _, t := range part {
			values = append(values, t.Feed, t.Topic, t.PartID, t.Says)
		}
		err := b.tx.Exec("INSERT INTO feed_part_topics (feed, topic, part_id, says) VALUES "+tuples("(?,?,?,?)", len(part))+
			" ON CONFLICT (feed, topic, part_id) DO UPDATE SET says = excluded.says", values...).Error
		if err != nil {
			return err
		}
	}
	if err := b.topicsDue(n.feed, n.touched); err != nil {
		return err
	}
	return b.lookersDue(n.feed, n.told)
}

// topicsDue notes that topics must be composed.
func (b *batch) topicsDue(feed string, topics map[string]bool) error {
	for part := range parts(slices.Sorted(maps.Keys(topics)), 200) {
		values := make([]any, 0, 2*len(part))
		for _, t := range part {
			values = append(values, feed, t)
		}
		err := b.tx.Exec("INSERT INTO feed_topics_due (feed, topic) VALUES "+tuples("(?,?)", len(part))+
			" ON CONFLICT DO NOTHING", values...).Error
		if err != nil {
			return err
		}
	}
	return nil
}

// lookersDue notes that the topics must be composed for which one of these was looked at.
func (b *batch) lookersDue(feed string, topics map[string]bool) error {
	for part := range parts(slices.Sorted(maps.Keys(topics)), 200) {
		err := b.tx.Exec(`INSERT INTO feed_topics_due (feed, topic) SELECT DISTINCT feed, topic FROM feed_topic_uses
			WHERE feed = ? AND uses IN ? ON CONFLICT DO NOTHING`, feed, part).Error
		if err != nil {
			return err
		}
	}
	return nil
}
