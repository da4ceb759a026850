#!/usr/bin/env bash
# Holds the statistics of internal/trends against scipy and R on fresh random series:
#
#	scripts/verify.sh            a new seed, which it prints
#	SEED=17 scripts/verify.sh    the series of that seed again
#	FREEZE=1 scripts/verify.sh   and keeps a part of the answers for make test
#
# As root on Debian it installs what is missing of the two.
set -euo pipefail
cd "$(dirname "$0")/.."

frozen=internal/assurance/reference/testdata/frozen.tsv.gz

# find_scipy prints a Python that has scipy: Debian's has it where another, first in
# PATH, may not.
find_scipy() {
	local python
	for python in python3 /usr/bin/python3; do
		if "$python" -c 'import numpy, scipy.stats' >/dev/null 2>&1; then
			command -v "$python"
			return
		fi
	done
	return 1
}

missing=()
check() {
	missing=()
	find_scipy >/dev/null || missing+=(python3-scipy)
	command -v Rscript >/dev/null || missing+=(r-base-core)
	[ ${#missing[@]} -eq 0 ]
}

if ! check && [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
	echo "Installing what the comparison needs: ${missing[*]}"
	log=$(mktemp)
	if ! {
		apt-get update &&
			DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "${missing[@]}"
	} >"$log" 2>&1 </dev/null; then
		tail -n 20 "$log" >&2
	fi
	rm -f "$log"
fi
if ! check; then
	echo "The comparison needs ${missing[*]}, not found on this machine; on Debian or Ubuntu install it with: sudo apt-get install ${missing[*]}" >&2
	exit 1
fi
python=$(find_scipy)

dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT

# answers SEED SHARE FILE: cases, and what the references say of them, in one file.
answers() {
	"$python" -B scripts/verify/series.py "$1" "$2" >"$dir/cases"
	"$python" -B scripts/verify/with_scipy.py "$dir/cases" >"$dir/scipy"
	Rscript --vanilla scripts/verify/with_r.R "$dir/cases" >"$dir/r"
	{
		printf 'version\tseed\t%s\n' "$1"
		cat "$dir/cases" "$dir/scipy" "$dir/r"
	} >"$3"
}

seed=${SEED:-$(od -An -N4 -tu4 /dev/urandom | tr -d ' ')}
echo "Seed $seed. The same series again: make verify SEED=$seed"
answers "$seed" 1 "$dir/answers"
PLUMBLINE_REFERENCES="$dir/answers" go test -count=1 -v -run 'Fresh' ./internal/assurance/reference || {
	echo "Program and reference differ on seed $seed: make verify SEED=$seed shows it again. docs/rules.md decides who is right." >&2
	exit 1
}

if [ -n "${FREEZE:-}" ]; then
	# A part of the cases, always of the same seed: the same libraries give the same file.
	answers 1 0.4 "$dir/frozen"
	gzip -9n <"$dir/frozen" >"$dir/frozen.gz"
	cp "$dir/frozen.gz" "$frozen"
	echo "Wrote $frozen, $(wc -c <"$frozen") bytes"
	go test -count=1 ./internal/assurance/reference
fi
