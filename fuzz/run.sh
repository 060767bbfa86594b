#!/bin/sh
# Fuzzes one target (or all) for so many seconds of processor time each: sh fuzz/run.sh [TARGET|all] [SECONDS]. Findings are in fuzz/out/TARGET/default/crashes
# and hangs; put each into fuzz/corpus/TARGET under a name that says what it is, and it is a test.
set -eu
cd "$(dirname "$0")"
host=$(rustc -vV | sed -n 's/^host: //p')
program=${CARGO_TARGET_DIR:-target}/$host/release/plumbsight-fuzz
out=${FUZZ_OUT:-out}
targets=${1:-all}
test "$targets" != all || targets=$(ls -d corpus/*/ | xargs -n 1 basename)
export AFL_SKIP_CPUFREQ=1 AFL_I_DONT_CARE_ABOUT_MISSING_CRASHES=1 AFL_NO_AFFINITY=1 AFL_NO_UI=1 AFL_MAP_SIZE=${AFL_MAP_SIZE:-500000} RAYON_NUM_THREADS=1
for target in $targets; do
    mkdir -p "$out"
    # Ten seconds for one input is what a hang is; the memory is bounded, so that a giant allocation is a crash.
    nice -n 19 afl-fuzz -i "corpus/$target" -o "$out/$target" -m 2000 -t 10000 -V "${2:-600}" -- "$program" "$target" >"$out/$target.log" 2>&1 || true
    stats="$out/$target/default/fuzzer_stats"
    echo "$target: $(sed -n 's/^execs_done *: *//p' "$stats" 2>/dev/null) inputs, $(sed -n 's/^run_time *: *//p' "$stats" 2>/dev/null) s, $(sed -n 's/^edges_found *: *//p' "$stats" 2>/dev/null) edges, $(ls "$out/$target/default/crashes" 2>/dev/null | grep -vc README || true) crashes, $(ls "$out/$target/default/hangs" 2>/dev/null | grep -c . || true) hangs"
done
