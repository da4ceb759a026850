#!/usr/bin/env bash
# Makes sure that the programs the tests start are there: a PostgreSQL server,
# Chromium and a font. As root on Debian it installs what is missing.
set -euo pipefail
# shellcheck source=scripts/lib.sh
. "$(dirname "$0")/lib.sh"

missing=()
check() {
	missing=()
	find_pg_bin >/dev/null || missing+=(postgresql)
	find_chromium >/dev/null || missing+=(chromium)
	has_fonts || missing+=(fonts-dejavu-core)
	[ ${#missing[@]} -eq 0 ]
}

check && exit 0

if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
	echo "Installing what the tests need: ${missing[*]}"
	log=$(mktemp)
	trap 'rm -f "$log"' EXIT
	if ! {
		apt-get update &&
			DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "${missing[@]}"
	} >"$log" 2>&1 </dev/null; then
		tail -n 20 "$log" >&2
	fi
	check && exit 0
fi

echo "The tests need ${missing[*]}, not found on this machine; on Debian or Ubuntu install it with: sudo apt-get install ${missing[*]}" >&2
exit 1
