#!/bin/sh
# The main job without hardware: starts a simulated bench and the daemon in a private directory, checks one port of a sample supply over its five
# contracts, prints the verdict table, and leaves nothing running. sh sim/demo.sh [characterise]
set -u
cd "$(dirname "$0")/.." || exit 2
. tests/packages.sh
# shellcheck disable=SC2086
need_packages $BUILD_PACKAGES || exit 2
if [ ! -x build/bin/bruntd ] || [ -n "${BRUNT_REBUILD:-}" ] || [ -n "$(find daemon client sim CMakeLists.txt -newer build/bin/brunt -name '*.[ch]' 2>/dev/null | head -n 1)" ]; then
    echo "Building ..."; mkdir -p build
    { cmake -G Ninja -S . -B build && ninja -C build bruntd brunt brunt-guard brunt-sim; } >build/demo.log 2>&1 || { tail -n 30 build/demo.log; exit 2; }

fi
dir=$(mktemp -d "${TMPDIR:-/tmp}/brunt-demo-XXXXXX") || exit 2
sim_pid= daemon_pid=
leave() {
    [ -n "$daemon_pid" ] && kill "$daemon_pid" 2>/dev/null && wait "$daemon_pid" 2>/dev/null
    [ -n "$sim_pid" ] && kill "$sim_pid" 2>/dev/null && wait "$sim_pid" 2>/dev/null
}
trap leave EXIT
trap 'exit 130' INT TERM
wait_for() { # FILE: up to 10 s
    tries=0
    while ! grep -q "$2" "$1" 2>/dev/null; do
        tries=$((tries + 1))
        [ $tries -gt 100 ] && { cat "$1" >&2; return 1; }
        sleep 0.1
    done
}
echo "Simulated bench and daemon in $dir"
build/bin/brunt-sim --dir "$dir" profiles/sim/bench-demo.cfg >"$dir/sim.log" 2>&1 & sim_pid=$!
wait_for "$dir/sim.log" ready || { echo "the simulated bench did not start"; exit 4; }
cp profiles/bench-demo.cfg "$dir/bench.cfg"
build/bin/bruntd --dir "$dir/state" --socket "$dir/socket" --bench "$dir/bench.cfg" --dialects profiles/dialects --guard build/bin/brunt-guard >"$dir/daemon.log" 2>&1 & daemon_pid=$!
tries=0
until build/bin/brunt bench --socket "$dir/socket" --json 2>/dev/null | grep -q '"ready": true'; do
    tries=$((tries + 1))
    [ $tries -gt 100 ] && { echo "the daemon did not get ready:"; cat "$dir/daemon.log"; build/bin/brunt bench --socket "$dir/socket"; exit 4; }
    sleep 0.1
done
build/bin/brunt "${1:-check}" --socket "$dir/socket" profiles/supply-sample.cfg
status=$?
echo "Everything of this demo stands in $dir; nothing is left running."
exit $status
