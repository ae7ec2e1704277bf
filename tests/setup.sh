#!/bin/sh
# Makes a Debian 12 with a Rust toolchain ready to build this project; with the argument `tests`, to
# test it as well, with `speed` for the benchmark. It installs what is missing, says so, and does nothing
# when nothing is missing.
#
#   sh tests/setup.sh [tests|speed]   from anywhere
#   . tests/setup.sh                  from the repository's root: the same without an argument, and exports
#                                     CMAKE (at least 3.26, for the HDF5 that is built in) and, once `tests`
#                                     or `speed` was set up, PHASEMILL_PYTHON
#
# Exit code 3: not a Debian system, or no Rust toolchain; what is needed is printed.

# Whether a command is a CMake of at least 3.26.
is_new_cmake() {
    "$1" --version 2>/dev/null |
        awk '/^cmake version/ { split($3, v, "."); ok = v[1] > 3 || (v[1] == 3 && v[2] >= 26) } END { exit !ok }'
}

case $0 in
setup.sh | */setup.sh) ;;
*)
    # It is being sourced: the work is done by a process of its own.
    sh tests/setup.sh || return
    if ! is_new_cmake "${CMAKE:-cmake}"; then CMAKE=$PWD/.venv/bin/cmake; fi
    export CMAKE="${CMAKE:-cmake}"
    if grep -q '^h5py==' .venv/installed 2>/dev/null; then
        export PHASEMILL_PYTHON="$PWD/.venv/bin/python"
    fi
    return
    ;;
esac

set -eu
cd "$(dirname "$0")/.."

say() { echo "setup: $*"; }
has() { command -v "$1" >/dev/null 2>&1; }
as_root() { if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi; }

tools="cargo rustc"
pins=""
if ! is_new_cmake "${CMAKE:-cmake}"; then
    pins="cmake==4.4.5"
fi
numbers="numpy==2.4.6 scipy==1.17.1 h5py==3.16.0"
case ${1:-} in
tests)
    tools="$tools cargo-fmt cargo-clippy"
    # And validators of the standards that exports keep to.
    pins="$pins $numbers prov==3.2.3 jsonschema==4.26.0 roc-validator==0.13.0"
    # It drives the browser that is installed below; it needs none of its own.
    pins="$pins playwright==1.65.2"
    ;;
speed) pins="$pins $numbers numba==0.68.1" ;;
esac

for tool in $tools; do
    if ! has "$tool"; then
        say "expected a Rust toolchain with $tools, found no $tool; install Rust 1.90 or later"
        exit 3
    fi
done

packages=""
if ! has cc; then packages="$packages gcc libc6-dev"; fi
if ! has c++; then packages="$packages g++"; fi
if ! has make; then packages="$packages make"; fi
if [ "${1:-}" = tests ] && ! has ssh-keygen; then packages="$packages openssh-client"; fi
if [ "${1:-}" = tests ] && ! has chromium; then packages="$packages chromium"; fi
# It runs the program on a processor without today's vectors.
if [ "${1:-}" = tests ] && ! has qemu-x86_64; then packages="$packages qemu-user"; fi
if [ -n "$pins" ] && [ ! -x .venv/bin/pip ] && ! python3 -c 'import ensurepip, venv' 2>/dev/null; then
    packages="$packages python3-venv"
fi
if [ -n "$packages" ]; then
    if ! { has apt-get && grep -Eq '^ID(_LIKE)?=.*debian' /etc/os-release; }; then
        say "expected a Debian system, found another; install yourself what Debian calls:$packages"
        say "and CMake 3.26 or later, with its path in CMAKE if it is not on the PATH"
        exit 3
    fi
    say "installing$packages with apt-get"
    as_root apt-get -qq update
    # shellcheck disable=SC2086  # A list of words.
    as_root env DEBIAN_FRONTEND=noninteractive \
        apt-get -qq install -y --no-install-recommends $packages >/dev/null
fi

if [ -z "$pins" ]; then exit 0; fi
if ! .venv/bin/python -c '' 2>/dev/null; then
    say "making a Python environment in .venv"
    rm -rf .venv
    python3 -m venv .venv
fi
# What was installed is written down, since asking pip takes a second.
for pin in $pins; do
    if ! grep -qxF "$pin" .venv/installed 2>/dev/null; then
        say "installing $pin into .venv"
        .venv/bin/pip install --quiet --disable-pip-version-check "$pin"
        echo "$pin" >>.venv/installed
    fi
done
