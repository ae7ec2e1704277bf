#!/bin/sh
# Times the program side by side with what one would write in Python, and prints a table: what was
# reached, what is aimed at, and how. A benchmark, no test: nothing fails because it is slow.
#
#   sh tests/speed.sh [--quick] [--large] [--only WORD]
#
# --quick takes 1e7 samples instead of 1e8; --large adds memory at 1e9 samples; --only takes the cases whose
# name holds a word. Recordings and results go to target/speed (about 1.5 GB, 160 MB when quick, 2 GB more
# when large); they are seeded and kept for the next time. Let nothing else run meanwhile.
set -eu
cd "$(dirname "$0")/.."
sh tests/setup.sh speed
. tests/setup.sh

cargo build --release --locked -p phasemill
target=${CARGO_TARGET_DIR:-target}
exec "$PHASEMILL_PYTHON" tests/speed/main.py "$target/release/phasemill" "$target/speed" "$@"
