#!/bin/sh
# The demo as a newcomer runs it: all five contracts judged, nothing left running, the record readable by other programs.
cd "$(dirname "$0")/.." || exit 2
out=$(mktemp)
sh sim/demo.sh >"$out" 2>&1
code=$?
cat "$out"
record=$(sed -n 's/^Record: //p' "$out")
fail() { echo "FAILED: $1"; rm -f "$out"; exit 1; }
[ $code = 0 ] || fail "the demo ended with $code"
[ "$(grep -cE '^ *(5|9|12|15|20) V .*pass' "$out")" = 5 ] || fail "not five contracts with a verdict"
[ -r "$record" ] || fail "no record"
[ "$(sqlite3 "$record" "SELECT value FROM meta WHERE name='end'")" = done ] || fail "sqlite3 can't read how it ended"
/usr/bin/python3 -c "import sqlite3,sys; n=sqlite3.connect('file:$record?mode=ro',uri=True).execute('select count(*) from reading').fetchone()[0]; sys.exit(n < 100)" || fail "python3 doesn't see the readings"
dir=$(sed -n 's/^Simulated bench and daemon in //p' "$out")
sleep 0.5
pgrep -f "$dir" >/dev/null && fail "something is left running: $(pgrep -af "$dir")"
longest=$(awk '{ if (length($0) > m) m = length($0) } END { print m }' "$out")
echo "figure: check of five contracts took $(sqlite3 "$record" "SELECT value/1000000 FROM meta WHERE name='end_us'") s of run time; longest line $longest bytes"
rm -rf "$out" "$dir"
exit 0
