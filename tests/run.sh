#!/bin/sh
# Checks everything: style, lints, tests, documentation, and every shipped recipe on the demo recordings.
# One profile throughout, so that HDF5 is built once.
set -eu
cd "$(dirname "$0")/.."
sh tests/setup.sh tests
. tests/setup.sh

step() {
    echo "== $*"
    "$@"
}

step cargo fmt --check
step cargo clippy --workspace --all-targets --release --locked -- -D warnings
step cargo test --workspace --release --locked
step env RUSTDOCFLAGS="-D warnings" \
    cargo doc --workspace --no-deps --document-private-items --release --locked
step sh demo-data/run.sh
