#!/bin/sh
# What is too long for tests/run.sh: hundreds of whole runs under the address and undefined-behaviour sanitizers (about a quarter of an hour).
cd "$(dirname "$0")/.." || exit 2
. tests/packages.sh
# shellcheck disable=SC2086
need_packages $BUILD_PACKAGES || exit 2
cmake -G Ninja -S . -B build-address -DBRUNT_SANITIZE=address,undefined -DCMAKE_BUILD_TYPE=Debug >/dev/null && ninja -C build-address || exit 1
for program in build-address/tests/whole_test_faults build-address/tests/whole_test_capacity*; do
    [ -x "$program" ] && { "$program" || exit 1; }
done
