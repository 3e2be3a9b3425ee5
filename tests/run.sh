#!/bin/sh
# Builds and runs all tests: sh tests/run.sh [quick]. Installs the packages it needs. quick (under 5 minutes): without deaths, sanitizers, demo and emulated machine.
set -u
cd "$(dirname "$0")/.." || exit 2
. tests/packages.sh
# shellcheck disable=SC2086
need_packages $BUILD_PACKAGES sqlite3 jq python3 python3-pyvisa python3-pyvisa-py python3-serial || exit 2
passed=0 failed=0 skipped=0 failures=

step() { # NAME COMMAND...: one step, its output shown only where it fails
    name=$1; shift
    begin=$(date +%s)
    log=$(mktemp)
    "$@" >"$log" 2>&1
    code=$?
    took=$(($(date +%s) - begin))
    if [ $code = 0 ]; then passed=$((passed + 1)); echo "ok       $name (${took} s)"
    elif [ $code = 77 ]; then skipped=$((skipped + 1)); echo "SKIPPED  $name: $(tail -n 1 "$log")"
    else failed=$((failed + 1)); failures="$failures $name"; echo "FAILED   $name (${took} s)"; tail -n 60 "$log"; fi
    grep -E '^(figure|table):' "$log"
    rm -f "$log"
}

build() { # FOLDER [CMAKE OPTION...]
    folder=$1; shift
    cmake -G Ninja -S . -B "$folder" "$@" >/dev/null && ninja -C "$folder"
}
tests_in() { # FOLDER [CTEST OPTION...]
    folder=$1; shift
    ctest --test-dir "$folder" --output-on-failure -j 2 "$@"
}

step build build build
step house sh tests/house.sh
for program in $(ctest --test-dir build -N 2>/dev/null | sed -n 's/.*Test *#[0-9]*: //p'); do
    step "$program" ctest --test-dir build --output-on-failure -R "^$program\$"
done
[ -x build/bin/brunt-sim ] && step visa /usr/bin/python3 tests/sim/visa.py build/bin/brunt-sim
step client /usr/bin/python3 tests/client.py build/bin
if [ "${1:-}" != quick ]; then
    step off /usr/bin/python3 tests/off.py build/bin
    step demo sh tests/demo.sh
    step build-address build build-address -DBRUNT_SANITIZE=address,undefined -DCMAKE_BUILD_TYPE=Debug
    # The two that play hundreds of whole runs take minutes under the sanitizer; sh tests/long.sh has them.
    step address-and-undefined tests_in build-address -L quick -E 'whole_test_(faults|capacity)'
    step build-thread build build-thread -DBRUNT_SANITIZE=thread
    step thread tests_in build-thread -R '^(serve|record|links|station)_'
    [ -f tests/machine/run.sh ] && step machine sh tests/machine/run.sh
fi
[ -z "$failures" ] || echo "failed:$failures"
echo "$passed passed, $failed failed, $skipped skipped"
[ $failed = 0 ]
