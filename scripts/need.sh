#!/usr/bin/env bash
# Makes sure that programs are there: without an argument those that the tests start
# (a PostgreSQL server, Chromium and a font), else the packages that are named. As root
# on Debian it installs what is missing.
set -euo pipefail
# shellcheck source=scripts/lib.sh
. "$(dirname "$0")/lib.sh"

root_on_debian() { [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; }

wanted=("$@")
[ $# -gt 0 ] || wanted=(postgresql chromium fonts-dejavu-core)

has() {
	case $1 in
	postgresql) find_pg_bin ;;
	chromium) find_browser ;;
	fonts-dejavu-core) has_fonts ;;
	*) command -v "$1" ;;
	esac >/dev/null
}

# The headless shell does the tests' work in half the time: root gets it where apt-get
# knows it. Any other Chromium serves too.
apt_knows() { root_on_debian && apt-cache show "$1" >/dev/null 2>&1; }
shell_tried=
find_browser() {
	command -v chromium-headless-shell && return
	if [ -z "$shell_tried" ] && apt_knows chromium-headless-shell; then
		return 1
	fi
	find_chromium
}

# packages names what apt-get is to install.
packages() {
	local package
	for package in "${missing[@]}"; do
		if [ "$package" = chromium ] && apt_knows chromium-headless-shell; then
			package=chromium-headless-shell
		fi
		echo "$package"
	done
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

if root_on_debian; then
	echo "Installing what is needed: ${missing[*]}"
	log=$(mktemp)
	trap 'rm -f "$log"' EXIT
	if ! {
		apt-get update &&
			mapfile -t install < <(packages) &&
			DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "${install[@]}"
	} >"$log" 2>&1 </dev/null; then
		tail -n 20 "$log" >&2
	fi
	shell_tried=yes
	check && exit 0
fi

echo "This needs ${missing[*]}, not found on this machine; on Debian or Ubuntu install it with: sudo apt-get install ${missing[*]}" >&2
exit 1
