#!/bin/sh
# Install lyewatch under $PREFIX and make the user it runs as: all that the image's build does, and just as good on a
# bench computer without Docker (then as root: sh docker/install.sh).
#
#   sh docker/install.sh [WHAT]      WHAT: the source tree (the one this script lies in) or a wheel of it
#
#   PREFIX  where to (/opt/lyewatch)
#   PYTHON  with which Python, 3.11 or later (python3)
#   OWNER   the user to make, who owns HOME_DIR and may open serial ports (lyewatch); empty: make none
#   HOME_DIR  where the bench file, the recordings and the reader's channel will be (/srv/lyewatch)
set -eu

here=$(cd "$(dirname "$0")" && pwd)
what=${1:-$(dirname "$here")}
prefix=${PREFIX:-/opt/lyewatch}
python=${PYTHON:-python3}
owner=${OWNER-lyewatch}
home=${HOME_DIR:-/srv/lyewatch}

"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
    echo "docker/install.sh: $python is not Python 3.11 or later; name one in PYTHON" >&2
    exit 1
}
"$python" -m venv "$prefix"
# The path is named in variables too, because an isolated build reads only those (older and newer pip different ones).
constraints=$(dirname "$here")/constraints.txt
PIP_CONSTRAINT=$constraints PIP_BUILD_CONSTRAINT=$constraints PIP_DISABLE_PIP_VERSION_CHECK=1 \
    "$prefix/bin/python" -m pip install --quiet --no-cache-dir -c "$constraints" "$what"

# In the second one reader and service meet; its owner alone may look into it.
mkdir -p "$home/lyewatch-data" "$home/run"
chmod 700 "$home/run"
if [ -n "$owner" ]; then
    # Serial ports belong to the group dialout on Debian and its relatives.
    groups=$(getent group dialout >/dev/null && echo dialout || true)
    id "$owner" >/dev/null 2>&1 ||
        useradd --system --home-dir "$home" --shell /usr/sbin/nologin ${groups:+--groups "$groups"} "$owner"
    chown -R "$owner" "$home"
fi
