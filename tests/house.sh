#!/bin/sh
# Holds every #include against the arrows between rooms: a room may know only what stands behind its name here. Fails with the line that breaks it.
cd "$(dirname "$0")/.." || exit 2
bad=0
allow() { # ROOM ALLOWED-ROOM...
    room=$1; shift
    pattern=$(echo "$room $*" | tr ' ' '|')
    lines=$(grep -nE '^#include "(daemon|client|sim)/' "$room"/*.c "$room"/*.h 2>/dev/null | grep -vE "#include \"($pattern)/[^/]*\"")
    [ -z "$lines" ] || { echo "$room may know only: $*"; echo "$lines"; bad=1; }
}
D=daemon
core="$D/base $D/terms"
allow $D/base
allow $D/terms $D/base
allow $D/figures $core
allow $D/watch $core $D/figures
allow $D/plan $core
allow $D/run $core $D/figures $D/watch $D/plan
allow $D/bench $core $D/figures
allow $D/bench/links $D/base
allow $D/station $core $D/figures $D/watch $D/plan $D/run $D/bench
allow $D/record $core
allow $D/wire $core
allow $D/serve $core $D/figures $D/watch $D/plan $D/run $D/bench $D/station $D/wire
allow $D/guard $D/base
allow $D/process $core $D/plan $D/bench $D/bench/links $D/station $D/run $D/record $D/wire $D/serve $D/guard $D/figures $D/watch
allow client/judge $core $D/figures $D/watch $D/plan
allow client/report $core $D/figures $D/watch $D/plan client/judge
for room in sim/world sim/scpi sim/wire; do allow $room $D/base sim/world sim/scpi; done
grep -nE '^#include "' $D/guard/main.c && { echo "the guard's own executable knows nothing of the project"; bad=1; }
# Pure rooms: no clock, no I/O, no random source, no file-scope state that changes.
for room in $D/figures $D/watch $D/run $D/bench client/judge sim/world sim/scpi; do
    grep -nE '\b(clock_gettime|gettimeofday|time\(NULL\)|fopen|open\(|read\(|write\(|socket\(|printf\(|rand\(|random\(|getenv)' $room/*.c 2>/dev/null |
        grep -vE 'snprintf|vsnprintf|figures_random|_(open|read|write|random)\(|//|\* ' && { echo "$room is pure"; bad=1; }
done
exit $bad
