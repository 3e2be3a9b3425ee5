#!/bin/sh
# Measures what the whole reaches on this computer and prints it; asserts nothing. In docs/figures.md stands what came out elsewhere.
#   sh tests/bench.sh                     all of it, under four minutes
#   sh tests/bench.sh rate                samples a second and processor time a sample, beside a plain loop with a generic VISA client
#   sh tests/bench.sh latency [TRIALS]    from a reading beyond a hard limit to the off order, also while the disk does not answer
#   sh tests/bench.sh check               run time of a check of five contracts
#   sh tests/bench.sh memory [READINGS]   resident memory; 10000000 readings take five minutes and 1 GB in $TMPDIR
# Rates and processor times: the loops take turns twice, and each one's better round counts.
# Each figure is a line "figure: NAME VALUE UNIT (asked: ...)". Let the computer do nothing else meanwhile.
set -u
cd "$(dirname "$0")/.." || exit 2
. tests/packages.sh
# shellcheck disable=SC2086
need_packages $BUILD_PACKAGES python3 python3-pyvisa python3-pyvisa-py python3-serial || exit 2
dir=$(mktemp -d "${TMPDIR:-/tmp}/brunt-bench-XXXXXX") || exit 2
measuring=
leave() {
    [ -n "$measuring" ] && kill "$measuring" 2>/dev/null && wait "$measuring" 2>/dev/null
    rm -rf "$dir"
}
trap leave EXIT
trap 'exit 130' INT TERM
bin=${BRUNT_BIN:-build/bin}
if [ -z "${BRUNT_BIN:-}" ]; then
    { cmake -G Ninja -S . -B build && ninja -C build bruntd brunt brunt-guard brunt-sim; } >"$dir/build.log" 2>&1 || { tail -n 30 "$dir/build.log"; exit 2; }
fi
mkdir "$dir/helpers" "$dir/work"
compile() { cc -std=c11 -D_GNU_SOURCE -O2 -Wall -Wextra -Werror "$@" || exit 2; }
compile -o "$dir/helpers/bare_loop" tests/figures_bench/bare_loop.c
compile -o "$dir/helpers/over_volts" tests/figures_bench/over_volts.c
compile -shared -fPIC -o "$dir/helpers/slow_disk.so" tests/slow_disk.c
/usr/bin/python3 tests/bench_figures.py "$bin" "$dir/helpers" "$dir/work" "$@" & measuring=$!
wait "$measuring"
status=$?
measuring=
exit $status
