#!/bin/sh
# Generates the demo recordings and runs every shipped recipe on them. All recordings are invented.
# Results are in demo-data/out/results, one HDF5 file and one table for each recipe.
set -eu
cd "$(dirname "$0")/.."
. tests/setup.sh

cargo build --release --locked
bin=${CARGO_TARGET_DIR:-target}/release
out=demo-data/out
results=$out/results
mkdir -p "$results"

# The last file that is written tells whether all are there, and whether the generator has changed since.
last=$out/hourly-levels.truth.json
if [ ! -f "$last" ] || [ -n "$(find "$bin/phasemill-demo-data" -newer "$last")" ]; then
    "$bin/phasemill-demo-data" "$out"
fi

passed=0
failed=0
name=

# mill EXIT RECIPE RECORDING... : runs a recipe, which must check without a warning; EXIT is the exit code
# that is right. Results have the name of the recipe, or that in `name`.
mill() {
    expected=$1
    recipe=$2
    shift 2
    name=${name:-$recipe}
    echo "== $name"
    code=0
    "$bin/phasemill" run --strict "pipelines/library/$recipe.ron" "$@" \
        --out "$results/$name.h5" --csv "$results/$name.csv" --overwrite || code=$?
    if [ "$code" = "$expected" ]; then
        passed=$((passed + 1))
    else
        failed=$((failed + 1))
        echo "$name: expected exit code $expected, found $code" >&2
    fi
    name=
}

# plan FILE... : what a bench may expect of a recipe; it must not be refused.
plan() {
    echo "== expect"
    if "$bin/phasemill" expect "$@" --plot "$results/expect.svg"; then
        passed=$((passed + 1))
    else
        failed=$((failed + 1))
        echo "expect: refused" >&2
    fi
}

# weigh EXIT RECIPE RECORDING... : compares the chains of a recipe; EXIT is the exit code that is right.
weigh() {
    expected=$1
    recipe=$2
    shift 2
    echo "== compare $recipe"
    code=0
    "$bin/phasemill" compare "pipelines/library/$recipe.ron" "$@" --out "$results/$recipe-compared.h5" \
        --csv "$results/$recipe-compared.csv" --overwrite || code=$?
    if [ "$code" = "$expected" ]; then
        passed=$((passed + 1))
    else
        failed=$((failed + 1))
        echo "compare $recipe: expected exit code $expected, found $code" >&2
    fi
}

plan pipelines/library/weak-light.bench.ron pipelines/library/chopped-light.ron "$out/weak-light-sweep.h5" \
    --with blocked="$out/weak-light-blocked.h5" --at 173Hz --uncertainty "100 uV"
echo "In the sweep of weak light the chopper stops at one point, so that recipe is to end with exit code 2:"
echo "the point is named as failed, the others are in the results."
mill 2 chopped-light "$out/weak-light-sweep.h5" --with blocked="$out/weak-light-blocked.h5"
mill 0 starter "$out/weak-light-blocked.h5"
mill 0 chopped-light-points "$out"/weak-light-points/*.h5 --wiring pipelines/library/points.wiring.ron
name=chopped-light-record
mill 0 chopped-light-points "$out/weak-light-record.h5" --wiring pipelines/library/record.wiring.ron
mill 0 second-harmonic "$out/modulated-response.h5"
mill 0 bridge-resistance "$out/bridge-sweep.h5"
mill 0 two-tone "$out/two-tone.h5"
mill 0 switched-bridge "$out/switched-bridge.h5"
mill 0 noise-and-stability "$out/noise.h5"
mill 0 tides "$out/hourly-levels.h5"
mill 0 driven-beam "$out/drifting-beam.h5"
mill 2 which-filter "$out/weak-light-sweep.h5"
weigh 2 which-filter "$out/weak-light-sweep.h5" --largest-settling "500 ms"

echo "recipes, plans and comparisons: $passed passed, $failed failed"
[ "$failed" = 0 ]
