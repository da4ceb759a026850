package store

import (
	"context"
	"database/sql"
	"fmt"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5/stdlib"
	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Two programs load, save and read at the same time. No one is turned away, and
// no row is lost or doubled.
func TestLoadsAndReadersTogether(t *testing.T) {
	defer chunksOf(50)()
	forEachEngine(t, func(t *testing.T, one *Store) {
		two := openTarget(t, reopen(t, one))
		rows := readings(2000)
		var wg sync.WaitGroup
		work := func(name string, do func() error) {
			wg.Go(func() {
				if err := do(); err != nil {
					t.Errorf("%s: %v", name, err)
				}
			})
		}
		for n, s := range []*Store{one, two, one, two} {
			mine := file{name: fmt.Sprint(n), versions: rows[n*250 : n*250+1250]}
			work("load", func() error { return loadQuietly(t.Context(), s, mine) })
			work("read", func() error {
				for range 30 {
					if _, err := s.Versions(t.Context(), []string{"S00001", "S00002"}); err != nil {
						return err
					}
					if _, err := s.Feeds(t.Context()); err != nil {
						return err
					}
				}
				return nil
			})
			work("digests", func() error {
				for n := range 20 {
					var some []records.Digest
					for _, id := range []string{"S00003", "S00001", "S00002"} {
						some = append(some, records.Digest{StayID: id, Revision: int64(n)})
					}
					if err := s.SaveDigests(t.Context(), some); err != nil {
						return err
					}
				}
				return nil
			})
		}
		wg.Wait()
		if n := count(t, one, "fact_versions"); n != 2000 {
			t.Errorf("%d versions are held, want the 2000 that came, each once", n)
		}
	})
}

// reopen is what opens the same database once more.
func reopen(t *testing.T, s *Store) (target string) {
	t.Helper()
	if s.engine == SQLite {
		return s.path
	}
	must(t, s.write.Connection(func(c *gorm.DB) error {
		return c.Statement.ConnPool.(*sql.Conn).Raw(func(c any) error {
			target = c.(*stdlib.Conn).Conn().Config().ConnString()
			return nil
		})
	}))
	return target
}

func loadQuietly(ctx context.Context, s *Store, f file) error {
	id, err := s.BeginLoad(ctx, noon, "test")
	if err != nil {
		return err
	}
	if _, err := s.Take(ctx, fileIn(id, records.Mark{Name: f.name}), f.read); err != nil {
		return err
	}
	_, err = s.FinishLoad(ctx, id, noon)
	return err
}

// A reader sees a file whole or not at all, with the heads that go with it.
func TestAReaderSeesAFileWholeOrNotAtAll(t *testing.T) {
	defer chunksOf(10)()
	forEachEngine(t, func(t *testing.T, s *Store) {
		id := get(s.BeginLoad(t.Context(), noon, "test"))(t)
		_, err := s.Take(t.Context(), fileIn(id, records.Mark{Name: "v"}), func(b records.Batch) error {
			for _, v := range readings(100) {
				v.StayID = "S1"
				must(t, b.Put(v))
			}
			if len(versions(t, s, "S1")) != 0 || revision(t, s, "S1") != 0 {
				t.Error("a reader sees a file that is not read whole")
			}
			return nil
		})
		must(t, err)
		if len(versions(t, s, "S1")["S1"]) != 100 || revision(t, s, "S1") == 0 {
			t.Error("a reader does not see the file")
		}
	})
}

// Being stopped is an error of no file, and leaves nothing.
func TestALoadIsStopped(t *testing.T) {
	defer chunksOf(10)()
	forEachEngine(t, func(t *testing.T, s *Store) {
		id := get(s.BeginLoad(t.Context(), noon, "test"))(t)
		ctx, stop := context.WithCancel(t.Context())
		_, err := s.Take(ctx, fileIn(id, records.Mark{Name: "v"}), func(b records.Batch) error {
			for n, v := range readings(1000) {
				if n == 500 {
					stop()
				}
				if err := b.Put(v); err != nil {
					return err
				}
			}
			return nil
		})
		if err == nil {
			t.Fatal("a stopped load ended well")
		}
		if clinical.CodeOf(err) != clinical.Internal || count(t, s, "fact_versions") != 0 || count(t, s, "feed_files") != 0 {
			t.Errorf("a stopped load left something: %v", err)
		}
		load(t, s, file{name: "v", versions: readings(1000)})
	})
}
