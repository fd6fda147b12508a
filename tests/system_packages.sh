#!/bin/sh
# Installs the Debian packages named as arguments where they are absent. Never fails: what cannot
# be installed is said, and the program says what it does without it.
missing=""
command -v dpkg-query >/dev/null 2>&1 || { echo "No Debian packages here; README lists what to install by hand: $*"; exit 0; }
for package in "$@"; do
  case "$(dpkg-query -W -f '${Status}' "$package" 2>/dev/null)" in
    "install ok installed") ;;
    *) missing="$missing $package" ;;
  esac
done
[ -z "$missing" ] && exit 0

as_root=""
if [ "$(id -u)" -ne 0 ]; then
  if ! command -v sudo >/dev/null 2>&1; then
    echo "Not installed, since this needs root or sudo:$missing"
    exit 0
  fi
  as_root="sudo"
fi
if ! command -v apt-get >/dev/null 2>&1; then
  echo "Not installed, since there is no apt-get:$missing"
  exit 0
fi
echo "Installing$missing"
log=$(mktemp)
{
  $as_root apt-get -q update
  # shellcheck disable=SC2086 # one argument a package
  $as_root env DEBIAN_FRONTEND=noninteractive apt-get -q install -y --no-install-recommends $missing
} >"$log" 2>&1 || { tail -n 5 "$log"; echo "Could not install:$missing"; }
rm -f "$log"
exit 0
