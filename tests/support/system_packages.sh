#!/bin/sh
# What the tests need beside Python packages: a real MQTT broker and a real browser. Installed when we may. A PostgreSQL
# server is wanted too, but where none can be had only the tests of copying to it are skipped.
set -eu
missing=""
command -v mosquitto >/dev/null 2>&1 || [ -x /usr/sbin/mosquitto ] || missing="$missing mosquitto"
command -v chromium >/dev/null 2>&1 || missing="$missing chromium"
command -v openssl >/dev/null 2>&1 || missing="$missing openssl"
command -v g++ >/dev/null 2>&1 || missing="$missing g++"
wanted=""
command -v initdb >/dev/null 2>&1 || ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || wanted="postgresql"
[ -z "$missing$wanted" ] && exit 0
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
  echo "installing for the tests:$missing $wanted"
  apt-get update -qq || [ -z "$missing" ]
  if [ -n "$missing" ]; then
    # shellcheck disable=SC2086
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
  fi
  if [ -n "$wanted" ]; then
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$wanted" >/dev/null ||
      echo "no PostgreSQL server could be installed: the tests of copying to one are skipped" >&2
  fi
elif [ -n "$missing" ]; then
  echo "the tests also need:$missing (install with your system's package manager)" >&2
  exit 1
else
  echo "without a PostgreSQL server (package $wanted) the tests of copying to one are skipped" >&2
fi
