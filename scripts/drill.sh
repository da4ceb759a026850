#!/usr/bin/env bash
# Runs the long fault tests, which take too long for every change: before an issue that
# they belong to is closed, and by nobody else. They are tests named TestDrill..., in a
# file drill_test.go beside what they try, that begin with drill.Only(t).
set -euo pipefail
cd "$(dirname "$0")/.."

cat <<'END'
The drill is for: hundreds of kills of a load and of a program that tells or sends;
disks that fill and PostgreSQL that stops while feeds come; fuzzing of every reader; a standby that takes over; a restore from a copy; and the
random histories of episodes, of telling and of the order of FHIR resources, drawn ten times
as often as in make test.
END

mapfile -t packages < <(git ls-files -co --exclude-standard '*_test.go' |
	xargs grep -lE '^func TestDrill|drill\.Draws\(' | xargs -rn 1 dirname | sort -u | sed 's|^|./|')
if [ ${#packages[@]} -eq 0 ]; then
	echo "There is no such test yet."
	exit 0
fi
echo "Packages: ${packages[*]}"
PLUMBLINE_DRILL=1 PLUMBLINE_DRAWS="${PLUMBLINE_DRAWS:-10}" scripts/with-postgres.sh \
	go test -vet=off -count=1 -timeout 0 -v -run '^TestDrill|^TestRandomHistories$|^TestTheOrderOfResourcesChangesNothing$|^TestEveryNoticeIsToldAtLeastOnceAndAlwaysTheSame$' "${packages[@]}"

# Each reader is fuzzed for a while (PLUMBLINE_FUZZ, 20 minutes by itself). What breaks one is
# written to testdata/fuzz beside it: keep it there, as a seed of every later run.
mapfile -t readers < <(git ls-files -co --exclude-standard 'internal/ingest/*_test.go' |
	xargs grep -oE '^func Fuzz[A-Za-z0-9]+' | sed -E 's|^(.*)/[^/]*:func (.*)$|./\1 \2|' | sort -u)
for reader in "${readers[@]}"; do
	read -r package target <<<"$reader"
	echo "Fuzzing $target of $package"
	go test -vet=off -run '^$' -fuzz "^$target\$" -fuzztime "${PLUMBLINE_FUZZ:-20m}" "$package"
done
