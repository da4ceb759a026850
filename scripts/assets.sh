#!/usr/bin/env bash
# Puts the browser code of others where the program embeds it, so that a hospital
# without internet has its charts. The code is not committed: npm fetches the
# exact versions of package-lock.json and checks their checksums.
set -euo pipefail
cd "$(dirname "$0")/.."

to=web/static/vendor
stamp=node_modules/.plumbline-assets # inside, so that it goes when the modules go
current=$(cat package-lock.json scripts/assets.sh | cksum)

if [ "$(cat "$stamp" 2>/dev/null)" = "$current" ] && [ -s "$to/echarts.min.js" ]; then
	exit 0
fi
if ! command -v npm >/dev/null; then
	echo "npm not found: install Node.js 20 or newer with npm (Debian: sudo apt-get install npm)." >&2
	exit 1
fi

npm ci --no-progress
rm -rf "$to"
mkdir -p "$to"
cp node_modules/echarts/dist/echarts.min.js "$to/"
# Who hands out the code hands out its licences: echarts.min.js holds zrender and tslib too.
cp node_modules/echarts/LICENSE "$to/echarts.LICENSE.txt"
cp node_modules/echarts/NOTICE "$to/echarts.NOTICE.txt"
cp node_modules/zrender/LICENSE "$to/zrender.LICENSE.txt"
cp node_modules/tslib/LICENSE.txt "$to/tslib.LICENSE.txt"
# axe-core stays in node_modules: the tests read it there, the program never serves it.
echo "$current" >"$stamp"
