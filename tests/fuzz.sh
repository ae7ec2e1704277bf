#!/bin/sh
# Fuzzes texts of recipes, wirings and benches, guided by coverage, for so many seconds (600 by default): parsing,
# checking, messages, figures and preparing must not panic, hang or eat memory.
#
#   sh tests/fuzz.sh [seconds]
#
# New inputs go to a folder beside the build; a text that breaks something is written there as `crash-*`,
# `timeout-*` or `oom-*`, and belongs in tests/cases or tests/fuzz/corpus once it is mended. Built on the
# stable toolchain with the compiler's own instrumentation. The test suite replays the corpus.
set -eu
cd "$(dirname "$0")/.."
. tests/setup.sh

host=$(rustc -vV | sed -n 's/^host: //p')
build=${CARGO_TARGET_DIR:-target}/fuzz
export RUSTFLAGS="--cfg fuzzing -Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4 \
-Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table \
-Cllvm-args=-sanitizer-coverage-trace-compares -Ccodegen-units=1"
# With a target named, build scripts are not instrumented.
cargo build --release --locked --manifest-path tests/fuzz/Cargo.toml --target "$host" --target-dir "$build"

# The recipes and wirings there are: as texts to begin with, and their words as a dictionary.
found=$build/found
seeds=$build/seeds
mkdir -p "$found" "$seeds"
find pipelines/library tests/cases -name '*.ron' -exec cp {} "$seeds" \;
cat "$seeds"/* | grep -oE '[A-Za-z_]{2,}' | sort -u | sed 's/.*/"&"/' >"$build/words.dict"

"$build/$host/release/texts" "$found" tests/fuzz/corpus "$seeds" -dict="$build/words.dict" \
    -artifact_prefix="$found/" -max_total_time="${1:-600}" -max_len=4096 -timeout=10 -rss_limit_mb=2048
