package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

type apiTokenRow struct {
	ID        int64 `gorm:"primaryKey"`
	Name      string
	NameKey   string
	TokenHash []byte
	AllUnits  bool
	MadeBy    string
	MadeAt    int64
	ExpiresAt int64
	RevokedAt *int64
	UsedAt    *int64
}

func (apiTokenRow) TableName() string { return "api_tokens" }

type apiTokenGrantRow struct {
	TokenID int64 `gorm:"primaryKey;autoIncrement:false"`
	Kind    string
	Value   string
}

func (apiTokenGrantRow) TableName() string { return "api_token_grants" }

// grantScope is a kind of grant, as are those of accounts.
const grantScope = "scope"

func apiTokenRowOf(t records.APIToken) apiTokenRow {
	return apiTokenRow{
		Name: t.Name, AllUnits: t.AllUnits, MadeBy: t.MadeBy, MadeAt: micros(t.MadeAt),
		ExpiresAt: micros(t.ExpiresAt), RevokedAt: optional(t.RevokedAt), UsedAt: optional(t.UsedAt),
	}
}

func (r apiTokenRow) token() records.APIToken {
	return records.APIToken{
		ID: r.ID, Name: r.Name, AllUnits: r.AllUnits, MadeBy: r.MadeBy, MadeAt: fromMicros(r.MadeAt),
		ExpiresAt: fromMicros(r.ExpiresAt), RevokedAt: fromOptional(r.RevokedAt), UsedAt: fromOptional(r.UsedAt),
	}
}

func tokenGrantsOf(t records.APIToken) []apiTokenGrantRow {
	var rows []apiTokenGrantRow
	for _, s := range distinct(t.Scopes) {
		rows = append(rows, apiTokenGrantRow{t.ID, grantScope, string(s)})
	}
	for _, u := range distinct(t.Units) {
		rows = append(rows, apiTokenGrantRow{t.ID, grantUnit, u})
	}
	return rows
}

// AddAPIToken keeps a new token, by a key of its name and a hash of the token that are
// its own, and returns it with its ID. The error carries clinical.Conflict where one
// of the two is taken.
func (s *Store) AddAPIToken(ctx context.Context, nameKey string, tokenHash []byte, t records.APIToken) (records.APIToken, error) {
	row := apiTokenRowOf(t)
	row.NameKey, row.TokenHash = nameKey, tokenHash
	err := s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		if err := tx.Create(&row).Error; err != nil {
			return err
		}
		t.ID = row.ID
		if rows := tokenGrantsOf(t); len(rows) > 0 {
			return tx.CreateInBatches(rows, 200).Error
		}
		return nil
	})
	if errors.Is(err, gorm.ErrDuplicatedKey) {
		return t, clinical.Errorf(clinical.Conflict, "the name %q is taken by another token; choose another name", t.Name)
	}
	if err != nil {
		return t, fmt.Errorf("adding a token: %w", err)
	}
	return t, nil
}

// tokensWith reads tokens with their grants, one row for each grant.
const tokensWith = `SELECT t.id, t.name, t.all_units, t.made_by, t.made_at, t.expires_at, t.revoked_at, t.used_at, g.kind, g.value
	FROM api_tokens t LEFT JOIN api_token_grants g ON g.token_id = t.id `

// APITokens lists every token in the order of the name keys.
func (s *Store) APITokens(ctx context.Context) ([]records.APIToken, error) {
	return s.apiTokens(ctx, tokensWith+"ORDER BY t.name_key, t.id, g.kind, g.value")
}

// APITokenOf finds a token by its hash; the error carries clinical.NotFound where
// there is none.
func (s *Store) APITokenOf(ctx context.Context, tokenHash []byte) (records.APIToken, error) {
	list, err := s.apiTokens(ctx, tokensWith+"WHERE t.token_hash = ? ORDER BY g.kind, g.value", tokenHash)
	switch {
	case err != nil:
		return records.APIToken{}, err
	case len(list) == 0:
		return records.APIToken{}, clinical.Errorf(clinical.NotFound, "there is no such token")
	}
	return list[0], nil
}

func (s *Store) apiTokens(ctx context.Context, query string, values ...any) ([]records.APIToken, error) {
	rows, err := s.reading(ctx).Raw(query, values...).Rows()
	var list []records.APIToken
	if err == nil {
		list, err = scanAPITokens(rows)
	}
	if err != nil {
		return nil, fmt.Errorf("reading tokens: %w", err)
	}
	return list, nil
}

// scanAPITokens reads rows in which those of a token stand together.
func scanAPITokens(rows *sql.Rows) (list []records.APIToken, err error) {
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var r apiTokenRow
		var kind, value *string
		if err := rows.Scan(&r.ID, &r.Name, &r.AllUnits, &r.MadeBy, &r.MadeAt, &r.ExpiresAt, &r.RevokedAt, &r.UsedAt,
			&kind, &value); err != nil {
			return nil, err
		}
		if len(list) == 0 || list[len(list)-1].ID != r.ID {
			list = append(list, r.token())
		}
		if t := &list[len(list)-1]; kind != nil {
			switch *kind {
			case grantScope:
				t.Scopes = records.KnownScopes(append(t.Scopes, records.Scope(*value)))
			case grantUnit:
				t.Units = append(t.Units, *value)
			}
		}
	}
	return list, ended(rows)
}

// RevokeAPIToken ends a token. One that is revoked already keeps its moment; the error
// carries clinical.NotFound where there is none.
func (s *Store) RevokeAPIToken(ctx context.Context, id int64, at time.Time) error {
	result := s.write.WithContext(ctx).Exec("UPDATE api_tokens SET revoked_at = coalesce(revoked_at, ?) WHERE id = ?", micros(at), id)
	switch {
	case result.Error != nil:
		return fmt.Errorf("revoking a token: %w", result.Error)
	case result.RowsAffected == 0:
		return clinical.Errorf(clinical.NotFound, "there is no token %d", id)
	}
	return nil
}

// TouchAPIToken notes a use of a token. An earlier moment than that on record changes
// nothing.
func (s *Store) TouchAPIToken(ctx context.Context, id int64, at time.Time) error {
	err := s.write.WithContext(ctx).Exec("UPDATE api_tokens SET used_at = ? WHERE id = ? AND (used_at IS NULL OR used_at < ?)",
		micros(at), id, micros(at)).Error
	if err != nil {
		return fmt.Errorf("noting the use of a token: %w", err)
	}
	return nil
}
