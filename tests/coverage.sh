#!/bin/sh
# The full coverage study: how often stated intervals hold the truth, on simulated recordings. Prints the page
# tests/COVERAGE.md; it takes some minutes. Arguments: only noise whose name holds the first one, with as many
# points in each case as the second one says.
set -eu
cd "$(dirname "$0")/.."
. tests/setup.sh
cargo run --quiet --release --locked -p phasemill-tests --example coverage -- "$@"
