#!/bin/sh
# Start the broker with a password for each account, taken from the environment and never written to a volume.
#
#   sh docker/broker.sh       as root or as the broker's own user, in the container or not
#
#   BENCH_ID, BENCH_PASSWORD      a bench: may write its own topics alone
#   GATHER_PASSWORD               the workers: read samples
#   OVERVIEW_PASSWORD             the page of all benches: reads
#   CONFIG (/mosquitto/config/mosquitto.conf), ACL (/mosquitto/config/acl), SECRETS (/tmp/passwords)
set -eu
umask 077

: "${BENCH_ID:?the identity of the bench, as in its topics}"
: "${BENCH_PASSWORD:?set it to a long random text}"
: "${GATHER_PASSWORD:?set it to a long random text}"
: "${OVERVIEW_PASSWORD:?set it to a long random text}"
case $BENCH_PASSWORD$GATHER_PASSWORD$OVERVIEW_PASSWORD in
*:*)
    echo "docker/broker.sh: a password may hold no colon, which parts it from its user in the broker's file" >&2
    exit 1
    ;;
esac
config=${CONFIG:-/mosquitto/config/mosquitto.conf}
secrets=${SECRETS:-/tmp/passwords}

# In a file that is hashed in place: an argument would show in the list of processes.
{
    printf '%s:%s\n' "$BENCH_ID" "$BENCH_PASSWORD"
    printf '%s:%s\n' gather "$GATHER_PASSWORD"
    printf '%s:%s\n' overview "$OVERVIEW_PASSWORD"
} >"$secrets"
mosquitto_passwd -U "$secrets"
unset BENCH_PASSWORD GATHER_PASSWORD OVERVIEW_PASSWORD
exec mosquitto -c "$config"
