package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

type accountRow struct {
	ID            int64 `gorm:"primaryKey"`
	Name          string
	NameKey       string
	Password      string
	PasswordSetAt int64
	OneTime       bool
	AllUnits      bool
	ShowCodes     bool
	Epoch         int64
	DisabledAt    *int64
	CreatedAt     int64 `gorm:"autoCreateTime:false"` // the moment is the caller's
}

func (accountRow) TableName() string { return "accounts" }

type grantRow struct {
	AccountID int64 `gorm:"primaryKey;autoIncrement:false"`
	Kind      string
	Value     string
}

func (grantRow) TableName() string { return "account_grants" }

type identityRow struct {
	Issuer    string `gorm:"primaryKey"`
	Subject   string `gorm:"primaryKey"`
	AccountID int64
}

func (identityRow) TableName() string { return "account_identities" }

// The kinds of grants.
const (
	grantRole = "role"
	grantUnit = "unit"
)

func accountRowOf(a records.Account) accountRow {
	return accountRow{
		ID: a.ID, Name: a.Name, Password: a.Password, PasswordSetAt: micros(a.PasswordSetAt),
		OneTime: a.OneTime, AllUnits: a.AllUnits, ShowCodes: a.ShowCodes,
		Epoch: a.Epoch, DisabledAt: optional(a.DisabledAt), CreatedAt: micros(a.CreatedAt),
	}
}

func (r accountRow) account() records.Account {
	return records.Account{
		ID: r.ID, Name: r.Name, Password: r.Password, PasswordSetAt: fromMicros(r.PasswordSetAt),
		OneTime: r.OneTime, AllUnits: r.AllUnits, ShowCodes: r.ShowCodes,
		Epoch: r.Epoch, DisabledAt: fromOptional(r.DisabledAt), CreatedAt: fromMicros(r.CreatedAt),
	}
}

// grant gives an account what a row says.
func (r grantRow) grant(a *records.Account) {
	switch r.Kind {
	case grantRole:
		a.Roles = records.KnownRoles(append(a.Roles, records.Role(r.Value)))
	case grantUnit:
		a.Units = append(a.Units, r.Value)
	}
}

func grantsOf(a records.Account) []grantRow {
	var rows []grantRow
	for _, r := range distinct(a.Roles) {
		rows = append(rows, grantRow{a.ID, grantRole, string(r)})
	}
	for _, u := range distinct(a.Units) {
		rows = append(rows, grantRow{a.ID, grantUnit, u})
	}
	return rows
}

// Accounts lists every account in the order of the name keys.
func (s *Store) Accounts(ctx context.Context) ([]records.Account, error) {
	var list []records.Account
	err := s.snapshot(ctx, func(tx *gorm.DB) (err error) {
		list, err = accountsOf(tx)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("reading accounts: %w", err)
	}
	return list, nil
}

// accountsOf reads the accounts that the conditions choose, all without any.
func accountsOf(tx *gorm.DB, conditions ...any) ([]records.Account, error) {
	var rows []accountRow
	if err := tx.Order("name_key").Find(&rows, conditions...).Error; err != nil {
		return nil, err
	}
	list, at, ids := make([]records.Account, len(rows)), map[int64]int{}, make([]int64, len(rows))
	for n, r := range rows {
		list[n], at[r.ID], ids[n] = r.account(), n, r.ID
	}
	for part := range parts(ids, 500) {
		var grants []grantRow
		if err := tx.Where("account_id IN ?", part).Order("account_id, kind, value").Find(&grants).Error; err != nil {
			return nil, err
		}
		for _, g := range grants {
			g.grant(&list[at[g.AccountID]])
		}
		var identities []identityRow
		if err := tx.Where("account_id IN ?", part).Find(&identities).Error; err != nil {
			return nil, err
		}
		for _, i := range identities {
			list[at[i.AccountID]].Identity = records.Identity{Issuer: i.Issuer, Subject: i.Subject}
		}
	}
	return list, nil
}

// AccountNamed finds an account by its name key; the error carries
// clinical.NotFound where there is none.
func (s *Store) AccountNamed(ctx context.Context, nameKey string) (records.Account, error) {
	return s.account(ctx, "name_key = ?", nameKey)
}

// AccountOf finds the account of a person of a sign-in service; the error carries
// clinical.NotFound where there is none.
func (s *Store) AccountOf(ctx context.Context, id records.Identity) (records.Account, error) {
	return s.account(ctx, "id = (SELECT account_id FROM account_identities WHERE issuer = ? AND subject = ?)", id.Issuer, id.Subject)
}

func (s *Store) account(ctx context.Context, conditions ...any) (records.Account, error) {
	var list []records.Account
	err := s.snapshot(ctx, func(tx *gorm.DB) (err error) {
		list, err = accountsOf(tx, conditions...)
		return err
	})
	switch {
	case err != nil:
		return records.Account{}, fmt.Errorf("reading an account: %w", err)
	case len(list) == 0:
		return records.Account{}, clinical.Errorf(clinical.NotFound, "there is no such account")
	}
	return list[0], nil
}

// AddAccount keeps a new account, by a key of its name that is its own, and returns it
// with its ID. The error carries clinical.Conflict where the key is taken, or the
// identity is another account's.
func (s *Store) AddAccount(ctx context.Context, nameKey string, a records.Account) (records.Account, error) {
	row := accountRowOf(a)
	row.ID, row.NameKey = 0, nameKey
	err := s.changing(ctx, func(tx *gorm.DB) error {
		err := tx.Create(&row).Error
		if errors.Is(err, gorm.ErrDuplicatedKey) {
			return clinical.Errorf(clinical.Conflict, "the name %q is taken by another account; choose another name", a.Name)
		}
		if err != nil {
			return err
		}
		a.ID = row.ID
		return saveParts(tx, a)
	})
	if err != nil && clinical.CodeOf(err) == clinical.Internal {
		err = fmt.Errorf("adding an account: %w", err)
	}
	return a, err
}

// saveParts keeps what of an account stands in other tables.
func saveParts(tx *gorm.DB, a records.Account) error {
	if err := saveGrants(tx, a); err != nil {
		return err
	}
	if err := tx.Where("account_id = ?", a.ID).Delete(&identityRow{}).Error; err != nil || !a.FromService() {
		return err
	}
	err := tx.Create(&identityRow{a.Identity.Issuer, a.Identity.Subject, a.ID}).Error
	if errors.Is(err, gorm.ErrDuplicatedKey) {
		err = clinical.Errorf(clinical.Conflict, "this person of the sign-in service has an account already")
	}
	return err
}

func saveGrants(tx *gorm.DB, a records.Account) error {
	if err := tx.Where("account_id = ?", a.ID).Delete(&grantRow{}).Error; err != nil {
		return err
	}
	if rows := grantsOf(a); len(rows) > 0 {
		return tx.CreateInBatches(rows, 200).Error
	}
	return nil
}

// ChangeAccount lets change alter an account, save for its ID and name, in a
// transaction in which no other account changes; all holds every account as it is.
// Where change returns an error nothing is changed.
func (s *Store) ChangeAccount(
	ctx context.Context, id int64, change func(a *records.Account, all []records.Account) error,
) (records.Account, error) {
	var changed records.Account
	err := s.changing(ctx, func(tx *gorm.DB) error {
		all, err := accountsOf(tx)
		if err != nil {
			return err
		}
		n := slices.IndexFunc(all, func(a records.Account) bool { return a.ID == id })
		if n < 0 {
			return clinical.Errorf(clinical.NotFound, "there is no account %d", id)
		}
		changed = all[n]
		if err := change(&changed, all); err != nil {
			return err
		}
		changed.ID, changed.Name = id, all[n].Name
		row := accountRowOf(changed)
		if err := tx.Select("*").Omit("name", "name_key").Updates(&row).Error; err != nil {
			return err
		}
		return saveParts(tx, changed)
	})
	if err != nil && clinical.CodeOf(err) == clinical.Internal {
		err = fmt.Errorf("changing an account: %w", err)
	}
	return changed, err
}

// changing runs a transaction that changes accounts, one at a time.
func (s *Store) changing(ctx context.Context, change func(tx *gorm.DB) error) error {
	return s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		if s.engine == Postgres {
			if err := tx.Exec("SELECT pg_advisory_xact_lock(?)", int64(accountsLock)).Error; err != nil {
				return err
			}
		}
		return change(tx)
	})
}

type sessionRow struct {
	TokenHash []byte `gorm:"primaryKey"`
	AccountID int64
	Epoch     int64
	StartedAt int64
	UsedAt    int64
}

func (sessionRow) TableName() string { return "sessions" }

// AddSession keeps a new session.
func (s *Store) AddSession(ctx context.Context, v records.Session) error {
	row := sessionRow{v.TokenHash, v.AccountID, v.Epoch, micros(v.StartedAt), micros(v.UsedAt)}
	if err := s.write.WithContext(ctx).Create(&row).Error; err != nil {
		return fmt.Errorf("keeping a session: %w", err)
	}
	return nil
}

// SessionOf finds the session of a token and its account as it is now, in one
// query, for every request asks. The error carries clinical.NotFound where there
// is none.
func (s *Store) SessionOf(ctx context.Context, tokenHash []byte) (records.Session, records.Account, error) {
	rows, err := s.reading(ctx).Raw(`SELECT s.epoch, s.started_at, s.used_at, a.id, a.name, a.password, a.password_set_at,
			a.one_time, a.all_units, a.show_codes, a.epoch, a.disabled_at, a.created_at, i.issuer, i.subject, g.kind, g.value
		FROM sessions s JOIN accounts a ON a.id = s.account_id LEFT JOIN account_identities i ON i.account_id = a.id
		LEFT JOIN account_grants g ON g.account_id = a.id
		WHERE s.token_hash = ? ORDER BY g.kind, g.value`, tokenHash).Rows()
	if err != nil {
		return records.Session{}, records.Account{}, fmt.Errorf("reading a session: %w", err)
	}
	v, a, found, err := scanSession(rows)
	switch {
	case err != nil:
		return v, a, fmt.Errorf("reading a session: %w", err)
	case !found:
		return v, a, clinical.Errorf(clinical.NotFound, "there is no such session")
	}
	v.TokenHash, v.AccountID = tokenHash, a.ID
	return v, a, nil
}

// scanSession reads one row for each grant of the account.
func scanSession(rows *sql.Rows) (v records.Session, a records.Account, found bool, err error) {
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var r accountRow
		var started, used int64
		var issuer, subject, kind, value *string
		if err := rows.Scan(&v.Epoch, &started, &used, &r.ID, &r.Name, &r.Password, &r.PasswordSetAt,
			&r.OneTime, &r.AllUnits, &r.ShowCodes, &r.Epoch, &r.DisabledAt, &r.CreatedAt, &issuer, &subject, &kind, &value); err != nil {
			return v, a, false, err
		}
		if !found {
			found, a, v.StartedAt, v.UsedAt = true, r.account(), fromMicros(started), fromMicros(used)
			if subject != nil {
				a.Identity = records.Identity{Issuer: *issuer, Subject: *subject}
			}
		}
		if kind != nil {
			grantRow{a.ID, *kind, *value}.grant(&a)
		}
	}
	return v, a, found, ended(rows)
}

// TouchSession notes a use of a session. An earlier moment than that on record
// changes nothing.
func (s *Store) TouchSession(ctx context.Context, tokenHash []byte, at time.Time) error {
	err := s.write.WithContext(ctx).Exec("UPDATE sessions SET used_at = ? WHERE token_hash = ? AND used_at < ?",
		micros(at), tokenHash, micros(at)).Error
	if err != nil {
		return fmt.Errorf("noting the use of a session: %w", err)
	}
	return nil
}

// EndSession drops a session, if there is one.
func (s *Store) EndSession(ctx context.Context, tokenHash []byte) error {
	if err := s.write.WithContext(ctx).Exec("DELETE FROM sessions WHERE token_hash = ?", tokenHash).Error; err != nil {
		return fmt.Errorf("ending a session: %w", err)
	}
	return nil
}

// DropSessions drops the sessions that were last used, or started, before these
// moments, those with a time after the last one, and those that a change of their account
// has ended.
func (s *Store) DropSessions(ctx context.Context, usedBefore, startedBefore, after time.Time) error {
	err := s.write.WithContext(ctx).Exec(`DELETE FROM sessions WHERE used_at < ? OR started_at < ? OR used_at > ? OR started_at > ?
		OR epoch <> (SELECT a.epoch FROM accounts a WHERE a.id = sessions.account_id)`,
		micros(usedBefore), micros(startedBefore), micros(after), micros(after)).Error
	if err != nil {
		return fmt.Errorf("dropping sessions that have lapsed: %w", err)
	}
	return nil
}

type keyRow struct {
	Name  string `gorm:"primaryKey"`
	Value []byte
}

func (keyRow) TableName() string { return "server_keys" }

// Key returns the key kept under a name. Where there is none, fresh is kept and
// returned; of several who ask at once all get the same.
func (s *Store) Key(ctx context.Context, name string, fresh []byte) ([]byte, error) {
	row := keyRow{name, fresh}
	db := s.write.WithContext(ctx)
	err := db.Clauses(clause.OnConflict{DoNothing: true}).Create(&row).Error
	if err == nil {
		row = keyRow{}
		err = db.Take(&row, "name = ?", name).Error
	}
	if err != nil {
		return nil, fmt.Errorf("reading a key of the server: %w", err)
	}
	return row.Value, nil
}
