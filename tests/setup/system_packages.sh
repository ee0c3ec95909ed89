#!/usr/bin/env bash
# Installs the Debian packages of system_packages.txt that are missing.
#
# Without apt, or without the right to install, it names what is missing: the tests that need it then skip,
# and under CI (CI=true) the set-up stops here.
set -euo pipefail

list="$(dirname "$0")/system_packages.txt"

names() { sed -e 's/#.*//' "$list" | awk 'NF { print $1 }'; }

installed() {
    [ "$(dpkg-query --show --showformat='${db:Status-Status}' "$1" 2>/dev/null || true)" = installed ]
}

give_up() {
    echo "system packages: $1" >&2
    echo "system packages: the tests that need them skip; on Debian: apt-get install ${missing[*]}" >&2
    if [ "${CI:-}" = true ]; then exit 1; fi
    exit 0
}

missing=($(names))
command -v dpkg-query >/dev/null && command -v apt-get >/dev/null ||
    give_up "this is no Debian, so ${missing[*]} cannot be installed from here"

missing=($(names | while read -r name; do installed "$name" || echo "$name"; done))
[ "${#missing[@]}" -gt 0 ] || exit 0

if [ "$(id -u)" -eq 0 ]; then
    as_root=(env)
elif command -v sudo >/dev/null && { sudo -n true 2>/dev/null || [ -t 0 ]; }; then
    as_root=(sudo env)
else
    give_up "${missing[*]} missing, and neither root nor sudo at hand to install"
fi

echo "system packages: installing ${missing[*]}"
install=(DEBIAN_FRONTEND=noninteractive apt-get install --yes --no-install-recommends "${missing[@]}")
# A fresh machine has no package index, an old one a stale index: renew it only where the first try fails.
"${as_root[@]}" "${install[@]}" >/dev/null 2>&1 && exit 0
"${as_root[@]}" apt-get update --quiet || give_up "the package index could not be renewed"
"${as_root[@]}" "${install[@]}" >/dev/null || give_up "apt-get could not install ${missing[*]}"
