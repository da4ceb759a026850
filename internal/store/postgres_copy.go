package store

import (
	"context"
	"database/sql"
	"fmt"
	"net/url"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"

	"plumbline/internal/clinical"
)

// tablesNotCopied grow with what people do, and no load reads them.
var tablesNotCopied = map[string]bool{"audit_entries": true, "notices": true, "deliveries": true, "stay_digests": true}

// SchemaCopy copies a PostgreSQL database into a schema of its own beside it, whose URL is
// returned, so that what is done there changes nothing. drop removes it. The account of the
// URL must be allowed to make schemas.
func SchemaCopy(ctx context.Context, target, name string) (copied string, drop func(context.Context) error, err error) {
	config, err := pgx.ParseConfig(target)
	if err != nil {
		return "", nil, clinical.Errorf(clinical.Invalid, "the database URL cannot be read: %v", err)
	}
	address, err := url.Parse(target)
	if err != nil {
		return "", nil, err
	}
	query := address.Query()
	query.Set("search_path", name)
	address.RawQuery = query.Encode()
	pool := stdlib.OpenDB(*config)
	drop = func(ctx context.Context) error {
		_, err := pool.ExecContext(ctx, "DROP SCHEMA IF EXISTS "+name+" CASCADE")
		_ = pool.Close()
		return err
	}
	if err := copySchema(ctx, pool, name); err != nil {
		_ = drop(ctx)
		return "", nil, fmt.Errorf("copying the database for the dry run; its account must be allowed to make a schema: %w", err)
	}
	return address.String(), drop, nil
}

// copySchema copies every table of the schema in use as it stands at one moment.
func copySchema(ctx context.Context, pool *sql.DB, name string) error {
	tx, err := pool.BeginTx(ctx, &sql.TxOptions{Isolation: sql.LevelRepeatableRead})
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }()
	if _, err := tx.ExecContext(ctx, "CREATE SCHEMA "+name); err != nil {
		return err
	}
	var list sql.NullString
	err = tx.QueryRowContext(ctx, `SELECT string_agg(tablename, ' ') FROM pg_tables
		WHERE schemaname = current_schema()`).Scan(&list)
	if err != nil {
		return err
	}
	for _, table := range strings.Fields(list.String) {
		statements := []string{fmt.Sprintf("CREATE TABLE %s.%s (LIKE %s INCLUDING ALL)", name, table, table)}
		if !tablesNotCopied[table] {
			copied := fmt.Sprintf("INSERT INTO %s.%s OVERRIDING SYSTEM VALUE SELECT * FROM %s", name, table, table)
			statements = append(statements, copied)
		}
		for _, s := range statements {
			if _, err := tx.ExecContext(ctx, s); err != nil {
				return fmt.Errorf("%s: %w", table, err)
			}
		}
	}
	if err := moveSequences(ctx, tx, name); err != nil {
		return err
	}
	return tx.Commit()
}

// moveSequences lets the numbers of the copy go on where those of the original stand.
func moveSequences(ctx context.Context, tx *sql.Tx, name string) error {
	rows, err := tx.QueryContext(ctx, `SELECT table_name, column_name FROM information_schema.columns
		WHERE table_schema = $1 AND is_identity = 'YES'`, name)
	if err != nil {
		return err
	}
	var statements []string
	for rows.Next() {
		var table, column string
		if err := rows.Scan(&table, &column); err != nil {
			return err
		}
		statements = append(statements, fmt.Sprintf(
			"SELECT setval(pg_get_serial_sequence('%[1]s.%[2]s', '%[3]s'), (SELECT coalesce(max(%[3]s), 0) + 1 FROM %[1]s.%[2]s))",
			name, table, column))
	}
	_ = rows.Close()
	if err := rows.Err(); err != nil {
		return err
	}
	for _, s := range statements {
		if _, err := tx.ExecContext(ctx, s); err != nil {
			return err
		}
	}
	return nil
}
