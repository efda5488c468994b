#!/bin/sh
# What the tests need beside Python packages: a real MQTT broker and a real browser. Installed when we may.
set -eu
missing=""
command -v mosquitto >/dev/null 2>&1 || [ -x /usr/sbin/mosquitto ] || missing="$missing mosquitto"
command -v chromium >/dev/null 2>&1 || missing="$missing chromium"
command -v openssl >/dev/null 2>&1 || missing="$missing openssl"
command -v g++ >/dev/null 2>&1 || missing="$missing g++"
[ -z "$missing" ] && exit 0
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
  echo "installing for the tests:$missing"
  apt-get update -qq
  # shellcheck disable=SC2086
  DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
else
  echo "the tests also need:$missing (install with your system's package manager)" >&2
  exit 1
fi
