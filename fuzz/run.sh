#!/bin/sh
# Fuzzes one target (or all) until the fuzzed program has used so many seconds of processor time on each: sh fuzz/run.sh [TARGET|all] [SECONDS]. Time that it slept or waited for a
# processor does not count, nor what the fuzzer itself used. Run again, it goes on where it was. Findings are in fuzz/out/TARGET/default/crashes and hangs; put each into
# fuzz/corpus/TARGET under a name that says what it is, and it is a test. FUZZ_PROGRAM names another copy of the program, FUZZ_OUT another place for what comes out. Exit code 1: something was found, or a target did
# not get its time (the fuzzer ended before: the last lines of its log are shown).
set -eu
cd "$(dirname "$0")"
host=$(rustc -vV | sed -n 's/^host: //p')
program=${FUZZ_PROGRAM:-${CARGO_TARGET_DIR:-target}/$host/release/plumbsight-fuzz}
out=${FUZZ_OUT:-out}
targets=${1:-all}
wanted=${2:-600}
test "$targets" != all || targets=$(ls -d corpus/*/ | xargs -n 1 basename)
export AFL_SKIP_CPUFREQ=1 AFL_I_DONT_CARE_ABOUT_MISSING_CRASHES=1 AFL_NO_AFFINITY=1 AFL_NO_UI=1 AFL_AUTORESUME=1 AFL_MAP_SIZE=${AFL_MAP_SIZE:-500000} RAYON_NUM_THREADS=1
ticks=$(getconf CLK_TCK)
# User and system time of a process and of its children that have ended, in hundredths of a second.
used() { sed 's/.*) //' "/proc/$1/stat" 2>/dev/null | awk -v t="$ticks" '{ printf "%d", 100 * ($12 + $13 + $14 + $15) / t }'; }
failed=0
for target in $targets; do
    mkdir -p "$out"
    before=$(cat "$out/$target.cpu" 2>/dev/null || echo 0)
    now=$before
    if [ "$now" -lt $((100 * wanted)) ]; then
        # Ten seconds for one input is what a hang is; the memory is bounded, so that a giant allocation is a crash.
        nice -n 19 afl-fuzz -i "corpus/$target" -o "$out/$target" -m 2000 -t 10000 -- "$program" "$target" >"$out/$target.log" 2>&1 &
        fuzzer=$!
        while [ "$now" -lt $((100 * wanted)) ] && kill -0 "$fuzzer" 2>/dev/null; do
            sleep 5
            # The fuzzer's one child starts every run of the program and gathers its time.
            server=$(pgrep -P "$fuzzer" | head -n 1)
            spent=$(test -z "$server" || used "$server")
            now=$((before + ${spent:-$((now - before))}))
            echo "$now" >"$out/$target.cpu"
        done
        kill "$fuzzer" 2>/dev/null || true
        wait "$fuzzer" || true
    fi
    stats="$out/$target/default/fuzzer_stats"
    figure() { sed -n "s/^$1 *: *//p" "$stats" 2>/dev/null; }
    # A fuzzer that goes on where it was puts what it had found aside (crashes.DATE).
    count() { find "$out/$target/default" -path "*/$1*/id:*" 2>/dev/null | wc -l; }
    crashes=$(count crashes)
    hangs=$(count hangs)
    echo "$target: $((now / 100)) s of processor time, $(figure execs_done) inputs, $(figure run_time) s by the clock, $(figure edges_found) edges, $crashes crashes, $hangs hangs"
    if [ "$crashes" -gt 0 ] || [ "$hangs" -gt 0 ]; then
        echo "$target: look into $out/$target/default" >&2
        failed=1
    fi
    if [ "$now" -lt $((100 * wanted)) ] || [ ! -s "$stats" ]; then
        echo "$target: nothing tried, or less than the $wanted s that were wanted; $out/$target.log ends:" >&2
        tail -n 5 "$out/$target.log" >&2 || true
        failed=1
    fi
done
exit "$failed"
