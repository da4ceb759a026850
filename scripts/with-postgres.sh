#!/usr/bin/env bash
# Runs a command with a private, throw-away PostgreSQL server beside it:
#
#	scripts/with-postgres.sh go test ./...
#
# The command finds the server in PLUMBLINE_TEST_POSTGRES. The server listens on
# loopback only, keeps nothing, and ends with this script, also when it is killed.
# Where /dev/shm has the room, the server's files and the temporary files of the command
# are kept there: a test creates and drops a database of 300 files, most of its time on a disk.
set -euo pipefail
# shellcheck source=scripts/lib.sh
. "$(dirname "$0")/lib.sh"

if [ $# -eq 0 ]; then
	echo "usage: $0 COMMAND [ARGUMENT...]" >&2
	exit 2
fi
if [ -n "${PLUMBLINE_TEST_POSTGRES:-}" ]; then
	exec "$@" # a server was given: use that one
fi
bin=$(find_pg_bin) || {
	echo "No PostgreSQL server programs found; scripts/need.sh gets them." >&2
	exit 1
}

# in_memory tells whether /dev/shm has some 3 GB left, several times what the tests use.
in_memory() {
	[ -w /dev/shm ] && [ "$(df --output=avail -k /dev/shm 2>/dev/null | tail -n 1)" -gt 3000000 ]
}

kept=${TMPDIR:-/tmp} # what outlives the run: the templates of testdb, and what the go command builds
place=/tmp
if in_memory; then
	place=/dev/shm
	# what a script that was killed has left
	find "$place" -maxdepth 1 -name 'plumbline-postgres.*' -mtime +1 -exec rm -rf {} +
fi
# The folder and the port are the same at each run of a checkout, for go test answers from its
# cache only where the environment of a test is as it was. A second run at one time gets others.
key=$(printf '%s' "$PWD" | cksum | cut -d ' ' -f 1)
first=$((20000 + key % 12000))
dir="$place/plumbline-postgres.$(id -u)-$key"
# ours tells whether a folder may be taken away: what a script that was killed has left.
ours() { [ -d "$1" ] && [ ! -L "$1" ] && { [ -O "$1" ] || [ "$(id -u)" -eq 0 ]; }; }
exec 8<"${BASH_SOURCE[0]}" # held for as long as this script runs
if command -v flock >/dev/null && flock -n 8 && { ! ours "$dir" || rm -rf "$dir"; } && mkdir -m 700 "$dir" 2>/dev/null; then
	: # it is this run's
else
	first=
	dir=$(mktemp -d "$place/plumbline-postgres.XXXXXX")
fi
server=
stop() {
	trap '' INT TERM
	if [ -n "$server" ]; then
		kill -QUIT "$server" 2>/dev/null || true # at once: nothing here is worth a checkpoint
		wait "$server" 2>/dev/null || true
	fi
	rm -rf "$dir"
}
trap stop EXIT
trap 'exit 130' INT
trap 'exit 143' TERM

# The server refuses to run as root, so root hands it to an ordinary user.
# pdeathsig stops it even where the trap above cannot (kill -9 of this script).
as=()
if [ "$(id -u)" -eq 0 ]; then
	user=nobody
	id postgres >/dev/null 2>&1 && user=postgres
	chown "$user" "$dir"
	chmod 711 "$dir" # a test that gives up its rights finds its own folder below
	as=(setpriv --reuid="$user" --regid="$(id -g "$user")" --clear-groups --pdeathsig INT)
elif command -v setpriv >/dev/null; then
	as=(setpriv --pdeathsig INT)
fi

# ICU's English order, as a hospital's own server would have it: what relies on
# byte order, which SQLite uses, shows here and not at the hospital.
if ! (cd / && LC_ALL=C.UTF-8 "${as[@]}" "$bin/initdb" --pgdata="$dir/data" --username=plumbline \
	--auth=trust --no-sync --encoding=UTF8 --locale-provider=icu --icu-locale=en-US) >"$dir/log" 2>&1; then
	cat "$dir/log" >&2
	exit 1
fi

# Another process may take the port between the look and the start: then try the next.
for _ in 1 2 3 4 5; do
	port=${first:-$((20000 + (RANDOM * 32768 + RANDOM) % 12000))}
	first=
	if (exec 3<>"/dev/tcp/127.0.0.1/$port") 2>/dev/null; then
		continue
	fi
	# No write is kept, so none is flushed. The zone is far from UTC on purpose:
	# a query that leaves the zone to the server is a bug, and shows here.
	(cd / && exec 8>&- && exec "${as[@]}" "$bin/postgres" -D "$dir/data" -p "$port" \
		-c listen_addresses=127.0.0.1 -c unix_socket_directories= \
		-c fsync=off -c synchronous_commit=off -c full_page_writes=off \
		-c max_connections=200 -c timezone=Asia/Kathmandu) >"$dir/log" 2>&1 &
	server=$!
	while kill -0 "$server" 2>/dev/null; do
		if "$bin/pg_isready" -q -h 127.0.0.1 -p "$port" -t 1; then
			break 2
		fi
		sleep 0.1
	done
	server=
done
if [ -z "$server" ]; then
	cat "$dir/log" >&2
	exit 1
fi

# What go's test cache cannot see by itself: the programs that tests start, how the server is made, and the open data
# outside of the module. A test that relies on one of these asks for this variable (testdb.Tools).
chromium=$(find_chromium 2>/dev/null || true)
PLUMBLINE_TEST_TOOLS=$({
	cat "${BASH_SOURCE[0]}"
	"$bin/postgres" --version
	[ -z "$chromium" ] || "$chromium" --version 2>/dev/null || true
	ls -lLR "${PLUMBLINE_OPEN_DATA:-../shared/data}" 2>/dev/null || true
} | cksum)
export PLUMBLINE_TEST_TOOLS

mkdir "$dir/tmp"
export TMPDIR="$dir/tmp" GOTMPDIR="${GOTMPDIR:-$kept}" PLUMBLINE_TEST_TEMPLATES="$kept"
PLUMBLINE_TEST_POSTGRES="postgres://plumbline@127.0.0.1:$port/postgres?sslmode=disable" "$@" 8<&-
