#!/bin/sh
# Make the virtual environment $1 with $PYTHON (3.11 or later), or say exactly what is missing.
set -eu
venv=$1
python=${PYTHON:-python3}

if [ -x "$venv/bin/python" ] && "$venv/bin/python" -m pip --version >/dev/null 2>&1; then
    exit 0
fi
if ! command -v "$python" >/dev/null 2>&1; then
    echo "make: there is no '$python'; install Python 3.11 or later (Debian, Ubuntu: apt-get install python3 python3-venv)" >&2
    exit 1
fi
if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
    echo "make: $("$python" --version) is too old; name Python 3.11 or later: make PYTHON=python3.12 ..." >&2
    exit 1
fi
# Debian and Ubuntu package ensurepip apart from Python, under the name of the exact version.
if ! "$python" -c 'import ensurepip, venv' >/dev/null 2>&1; then
    package=$("$python" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
        apt-get update -qq
        DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$package"
    else
        echo "make: $python lacks the venv module; install it first: sudo apt-get install $package" >&2
        exit 1
    fi
fi
# Left from an attempt that stopped half-way.
rm -rf "$venv"
"$python" -m venv "$venv"
