#!/usr/bin/env bash
# Looks for insecure code, for known holes in what is built in, and for secrets in
# files. Called by make lint.
set -euo pipefail
cd "$(dirname "$0")/.."

GOSEC=github.com/securego/gosec/v2/cmd/gosec@v2.28.0
GOVULNCHECK=golang.org/x/vuln/cmd/govulncheck@v1.9.0

# What gosec finds and is meant, file by file; anything new fails.
#   audit.go, codec.go, postgres_sink.go G115: lengths, numbers and times that were
#     bounded before, or whose bits alone are written; no size is reckoned from them.
#   password.go G115: the length of a key read from a stored hash; a key is short.
#   rules.go G401, G505: SHA-1 is the form of lists of breached passwords and
#     protects nothing. rules.go, settings.go, policies.go, outbox.go, sqlite.go G304: the file
#     is named by whoever runs the program, never by a request.
#   seal.go G407: the nonce is random, made by NewGCMWithRandomNonce; it takes none.
#   flow.go G101: reasons in words that name tokens; nothing secret.
#   signin.go G124: Secure is set whenever the client's connection is encrypted.
#   pages.go G203: the text was made by html/template, which has escaped it.
#   phrase.go G203: the sentence and every argument are escaped where they are put
#     together (TestASentenceOfWordsAndMarkupIsEscaped).
#   drawn.go G203: package drawing escapes the words of its figures (TestSizeAndWords).
#   tokens.go G101: a query that names the column of hashes; nothing secret.
#   testdb/ G122, G304, G703, policy/reference, assurance/second: tools for tests and docs that
#     read and write files of this repository and of the machine's temporary folder,
#     named by whoever starts them; no part of the program.
#   mutate/ G204, G304, G703: runs the compiler on this repository, with files named by
#     whoever starts it; it is no part of the program.
#   demo/: random numbers, counts of days and files of invented patients, written into the source.
meant=(
	'internal/audit/audit\.go$:G115'
	'internal/store/(codec|postgres_sink)\.go$:G115'
	'internal/auth/password\.go$:G115'
	'internal/auth/rules\.go$:G304,G401,G505'
	'internal/auth/seal\.go$:G407'
	'internal/idp/flow\.go$:G101'
	'internal/app/(settings|policies|outbox)\.go$:G304'
	'internal/store/sqlite\.go$:G304'
	'internal/web/frame/session\.go$:G124'
	'internal/web/frame/pages\.go$:G203'
	'internal/web/frame/phrase\.go$:G203'
	'internal/store/tokens\.go$:G101'
	'internal/assurance/mutate/:G204,G304,G703'
	'internal/assurance/second/:G304,G306'
	'internal/policy/reference/:G304,G703'
	'internal/web/parts/drawn\.go$:G203'
	'internal/testdb/:G122,G304,G703'
	'internal/web/webtest/:G304,G703'
	'internal/demo/:G115,G301,G306,G404'
)
go run "$GOSEC" -quiet -exclude-generated -exclude-rules "$(IFS=';'; echo "${meant[*]}")" ./...

go test -count=1 -run '^TestNoSecretsInFiles$' ./internal/arch

# The list of known holes is fetched; a machine without that way out is told, and
# nothing else fails for it.
out=$(mktemp)
trap 'rm -f "$out"' EXIT
if go run "$GOVULNCHECK" ./... >"$out" 2>&1; then
	cat "$out"
elif grep -qE 'fetching vulnerabilities|dial tcp|no such host|i/o timeout' "$out"; then
	echo "govulncheck: its database cannot be reached from here; known holes in dependencies are NOT checked"
else
	cat "$out" >&2
	exit 1
fi
