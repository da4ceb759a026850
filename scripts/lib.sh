# Where the programs of other packages are found. Sourced by the scripts beside it.
# shellcheck shell=bash

# find_pg_bin prints the folder of the newest PostgreSQL server programs.
# Debian keeps them out of PATH, in one folder for each major version.
find_pg_bin() {
	local dir
	dir=$(printf '%s\n' /usr/lib/postgresql/*/bin | sort -V | tail -n 1)
	if [ -x "$dir/initdb" ]; then
		echo "$dir"
	elif command -v initdb >/dev/null; then
		dirname "$(command -v initdb)"
	else
		return 1
	fi
}

# find_chromium prints the browser that internal/browsertest will start.
find_chromium() {
	command -v chromium-headless-shell || command -v chromium || command -v chromium-browser || command -v google-chrome
}

# has_fonts: without a font the pictures of pages show empty boxes.
has_fonts() {
	[ -n "$(find /usr/share/fonts -name 'DejaVuSans.ttf' -print -quit 2>/dev/null)" ]
}
