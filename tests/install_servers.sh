#!/usr/bin/env bash
# Install the Debian packages that the tests drive for real. As root they are installed when missing; anyone else is told
# what to install. To add one: a line "WHAT PACKAGE" below, WHAT being a program, (lib*.so.*) a shared library or the
# path of a file.
set -euo pipefail

needed="
chromium        chromium
influxd         influxdb
mosquitto       mosquitto
ngspice         ngspice
openssl         openssl
victoria-metrics victoria-metrics
libatomic.so.1  libatomic1
avr-gcc         gcc-avr
gcc             gcc
make            make
/usr/lib/avr/include/avr/io.h   avr-libc
/usr/include/stdio.h            libc6-dev
/usr/include/simavr/sim_avr.h   libsimavr-dev
fusermount3     fuse3
mkfs.ext4       e2fsprogs
losetup         mount
"
# libatomic: for the driver that playwright talks to the browser through; absent from the smallest Debian.
# From avr-gcc on: the reference firmware is compiled, and run in libsimavr. From fusermount3 on: disks that are full,
# read-only or lose their power are made and mounted, which needs root.

# Debian keeps servers, and ldconfig, outside the path of ordinary users.
PATH=$PATH:/usr/sbin:/sbin

present() {
    case $1 in
    /*) [ -e "$1" ] ;;
    lib*.so.*) [[ $(ldconfig -p 2>/dev/null) == *"$1 "* ]] ;;
    *) command -v "$1" >/dev/null 2>&1 ;;
    esac
}

missing=()
while read -r what package; do
    if [ -n "$what" ] && ! present "$what"; then
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
