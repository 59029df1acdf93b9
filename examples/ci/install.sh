#!/bin/sh
# install.sh ARCHIVE [DIR] unpacks an archive of "make dist" into DIR (/opt/phototie), and
# links the command in /usr/local/bin where that may be written to. Nothing else is
# needed: no network, no package.
set -eu
dir=${2:-/opt/phototie}
mkdir -p "$dir"
tar -xzf "$1" -C "$dir" --strip-components=1
if [ -w /usr/local/bin ]; then ln -sf "$dir/bin/phototie" /usr/local/bin/phototie; fi
"$dir/bin/phototie" --version
