#!/usr/bin/env bash
# Makes sure that programs are there: without an argument those that the tests start
# (a PostgreSQL server, Chromium and a font), else the packages that are named. As root
# on Debian it installs what is missing.
set -euo pipefail
# shellcheck source=scripts/lib.sh
. "$(dirname "$0")/lib.sh"

wanted=("$@")
[ $# -gt 0 ] || wanted=(postgresql chromium fonts-dejavu-core)

has() {
	case $1 in
	postgresql) find_pg_bin ;;
	chromium) find_chromium ;;
	fonts-dejavu-core) has_fonts ;;
	*) command -v "$1" ;;
	esac >/dev/null
}

missing=()
check() {
	missing=()
	for package in "${wanted[@]}"; do
		has "$package" || missing+=("$package")
	done
	[ ${#missing[@]} -eq 0 ]
}

check && exit 0

if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
	echo "Installing what is needed: ${missing[*]}"
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

echo "This needs ${missing[*]}, not found on this machine; on Debian or Ubuntu install it with: sudo apt-get install ${missing[*]}" >&2
exit 1
