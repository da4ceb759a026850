package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// The lease is the right to do what only one of several instances may do: read the feed folder,
// poll, step, tell. On PostgreSQL it is a row with an end, by the clock of the database, that its
// owner puts off again and again on a connection of its own; docs/adr/0024 says why. On SQLite it
// is a lock of the operating system, which ends with the program, however that ends.

// databaseNow is the clock of PostgreSQL in microseconds since 1970.
const databaseNow = "(extract(epoch FROM clock_timestamp()) * 1000000)::bigint"

const takeLease = `INSERT INTO leases AS l (name, owner, fence, taken_at, until, said)
	VALUES ($1, $2, 1, ` + databaseNow + `, ` + databaseNow + ` + $3, $4)
	ON CONFLICT (name) DO UPDATE SET owner = EXCLUDED.owner, until = EXCLUDED.until, said = EXCLUDED.said,
		fence = CASE WHEN l.owner = EXCLUDED.owner THEN l.fence ELSE l.fence + 1 END,
		taken_at = CASE WHEN l.owner = EXCLUDED.owner THEN l.taken_at ELSE EXCLUDED.taken_at END
	WHERE l.owner = EXCLUDED.owner OR l.until < ` + databaseNow + ` OR l.until > ` + databaseNow + ` + 2 * $3
	RETURNING ` + leaseColumns

const leaseColumns = "owner, fence, taken_at, until >= " + databaseNow + ", said"

// TakeLease takes the lease of a name, or puts off its end where the owner has it already: it
// lasts from when the database is asked. said is what others are to know of its owner's work. The
// answer tells who holds it. A lease that ends later than any can, because the database's clock
// was set back, counts as ended.
func (s *Store) TakeLease(
	ctx context.Context, name, owner string, lasts time.Duration, said records.FeedsSaid,
) (records.Lease, error) {
	if s.engine == SQLite {
		return s.lockLease(ctx, name, owner)
	}
	text, err := json.Marshal(said)
	if err != nil {
		return records.Lease{}, err
	}
	held, err := scanLease(s.leases.QueryRowContext(ctx, takeLease, name, owner, lasts.Microseconds(), string(text)))
	if errors.Is(err, sql.ErrNoRows) {
		held, err = scanLease(s.leases.QueryRowContext(ctx, "SELECT "+leaseColumns+" FROM leases WHERE name = $1", name))
	}
	if err != nil {
		return records.Lease{}, fmt.Errorf("asking for the lease: %w", told(err))
	}
	held.Mine = held.Owner == owner
	return held, nil
}

func scanLease(row *sql.Row) (l records.Lease, err error) {
	var taken int64
	var said string
	if err := row.Scan(&l.Owner, &l.Fence, &taken, &l.Running, &said); err != nil {
		return l, err
	}
	l.TakenAt = fromMicros(taken)
	return l, json.Unmarshal([]byte(said), &l.Said)
}

// EndLease gives the lease back, so that another takes it at once.
func (s *Store) EndLease(ctx context.Context, name, owner string) error {
	if s.engine == SQLite {
		return s.unlockLease(name)
	}
	_, err := s.leases.ExecContext(ctx, "UPDATE leases SET until = 0 WHERE name = $1 AND owner = $2", name, owner)
	return told(err)
}

// lockLease locks an empty database beside that of the program, as long as it runs.
func (s *Store) lockLease(ctx context.Context, name, owner string) (records.Lease, error) {
	s.locks.Lock()
	defer s.locks.Unlock()
	mine := records.Lease{Owner: owner, Fence: 1, Mine: true, Running: true}
	if s.locked[name] != nil {
		return mine, nil
	}
	pool, err := sql.Open("sqlite", sqliteName(s.path+"."+name+".lock", "exclusive", []string{"busy_timeout(0)"}))
	if err != nil {
		return records.Lease{}, err
	}
	tx, err := pool.BeginTx(context.WithoutCancel(ctx), nil)
	if err != nil {
		_ = pool.Close()
		if isBusy(err) {
			return records.Lease{Owner: "another program on this machine", Running: true}, nil
		}
		return records.Lease{}, fmt.Errorf("locking %s.%s.lock: %w", s.target, name, err)
	}
	if s.locked == nil {
		s.locked = map[string]func() error{}
	}
	s.locked[name] = func() error { return errors.Join(tx.Rollback(), pool.Close()) }
	return mine, nil
}

func (s *Store) unlockLease(name string) error {
	s.locks.Lock()
	defer s.locks.Unlock()
	unlock := s.locked[name]
	if delete(s.locked, name); unlock == nil {
		return nil
	}
	return unlock()
}

// fence is the lease under which something is done.
type fence struct {
	name  string
	lease records.Lease
}

type fenceKey struct{}

// UnderLease marks what is done as done under a lease: facts that are written so are committed only
// as long as nobody else has taken it since.
func UnderLease(ctx context.Context, name string, l records.Lease) context.Context {
	return context.WithValue(ctx, fenceKey{}, fence{name, l})
}

// ErrLeaseTaken is that somebody else has taken the lease under which something was to be written.
var ErrLeaseTaken = clinical.Errorf(clinical.Unavailable, "another instance has taken the lease: nothing is written")

// checkFence is the last look before a commit.
func (s *Store) checkFence(ctx context.Context, tx *gorm.DB) error {
	f, under := ctx.Value(fenceKey{}).(fence)
	if !under || s.engine == SQLite {
		return nil
	}
	var now int64
	err := told(tx.Raw("SELECT fence FROM leases WHERE name = ?", f.name).Row().Scan(&now))
	if err == nil && now != f.lease.Fence {
		return ErrLeaseTaken
	}
	return err
}
