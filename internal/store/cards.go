package store

import (
	"context"
	"fmt"

	"gorm.io/gorm"

	"plumbline/internal/records"
)

// cardRow is a card as it stands in feed_cards.
type cardRow struct {
	Feed     string
	Key      string
	At       int64
	Together string
	File     string
	Line     int
	Body     []byte
}

func cardRowOf(c records.Card) cardRow {
	return cardRow{
		Feed: plain(c.Feed), Key: plain(c.Key), At: micros(c.At), Together: plain(c.Group),
		File: plain(c.File), Line: c.Line, Body: someBytes(c.Body),
	}
}

func (r cardRow) card() records.Card {
	return records.Card{
		Feed: r.Feed, Key: r.Key, Group: r.Together, At: fromMicros(r.At), File: r.File, Line: r.Line, Body: r.Body,
	}
}

// cardsAtOnce is how many cards one statement writes or looks for.
const cardsAtOnce = 400

// KeepCards keeps what gather hands on, in one transaction: all of it, or nothing where
// gather returns an error. Memory does not grow with their number.
func (s *Store) KeepCards(ctx context.Context, gather func(keep func(records.Card) error) error) error {
	return s.writing(ctx, func(tx *gorm.DB, _ versionSink) error {
		w := cardWriter{tx: tx, at: map[cardID]int{}}
		if err := gather(w.keep); err != nil {
			return err
		}
		return w.flush()
	})
}

// cardID tells cards apart.
type cardID struct {
	feed, key string
	at        int64
}

// cardWriter gathers cards and writes them together.
type cardWriter struct {
	tx   *gorm.DB
	rows []cardRow
	at   map[cardID]int // into rows
}

func (w *cardWriter) keep(c records.Card) error {
	row := cardRowOf(c)
	id := cardID{row.Feed, row.Key, row.At}
	if n, twice := w.at[id]; twice {
		if row.File >= w.rows[n].File {
			w.rows[n] = row
		}
		return nil
	}
	w.at[id] = len(w.rows)
	if w.rows = append(w.rows, row); len(w.rows) < cardsAtOnce {
		return nil
	}
	return w.flush()
}

func (w *cardWriter) flush() error {
	if len(w.rows) == 0 {
		return nil
	}
	values := make([]any, 0, 7*len(w.rows))
	for _, r := range w.rows {
		values = append(values, r.Feed, r.Key, r.At, r.Together, r.File, r.Line, r.Body)
	}
	err := w.tx.Exec(`INSERT INTO feed_cards (feed, key, at, together, file, line, body) VALUES `+
		tuples("(?, ?, ?, ?, ?, ?, ?)", len(w.rows))+` ON CONFLICT (feed, key, at) DO UPDATE SET
		together = excluded.together, file = excluded.file, line = excluded.line, body = excluded.body
		WHERE excluded.file >= feed_cards.file`, values...).Error
	w.rows = w.rows[:0]
	clear(w.at)
	if err != nil {
		return fmt.Errorf("keeping cards: %w", err)
	}
	return nil
}

// Cards are the cards of a feed with one of the keys or in one of the groups, by key and
// moment; each once.
func (s *Store) Cards(ctx context.Context, feed string, keys, groups []string) ([]records.Card, error) {
	var out []records.Card
	have := map[cardID]bool{}
	look := func(column string, list []string) error {
		for part := range parts(distinct(list), cardsAtOnce) {
			var rows []cardRow
			err := s.reading(ctx).Raw("SELECT feed, key, at, together, file, line, body FROM feed_cards WHERE feed = ? AND "+
				column+" IN ? AND "+column+" <> '' ORDER BY key, at", feed, part).Scan(&rows).Error
			if err != nil {
				return fmt.Errorf("looking for cards: %w", err)
			}
			for _, r := range rows {
				if id := (cardID{r.Feed, r.Key, r.At}); !have[id] {
					have[id] = true
					out = append(out, r.card())
				}
			}
		}
		return nil
	}
	if err := look("key", keys); err != nil {
		return nil, err
	}
	return out, look("together", groups)
}
