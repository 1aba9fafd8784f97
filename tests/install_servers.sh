#!/usr/bin/env bash
# Install the Debian packages that the tests drive for real. As root they are installed when missing; anyone else is told
# what to install. To add one: a line "COMMAND PACKAGE" below.
set -euo pipefail

needed="
chromium chromium
"

# Debian keeps servers outside the path of ordinary users.
PATH=$PATH:/usr/sbin:/sbin

missing=()
while read -r command package; do
    if [ -n "$command" ] && ! command -v "$command" >/dev/null 2>&1; then
        missing+=("$package")
    fi
done <<<"$needed"

if [ ${#missing[@]} -eq 0 ]; then
    exit 0
fi
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}"
    exit 0
fi
echo "tests: missing: ${missing[*]}; install with: sudo apt-get install --no-install-recommends ${missing[*]}" >&2
if [ "${CI:-}" = true ]; then
    exit 1
fi
echo "tests: the tests that need them will be skipped" >&2
