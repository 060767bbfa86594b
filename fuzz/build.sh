#!/bin/sh
# Builds the fuzzing program with AFL++'s counters on stable Rust: LLVM's own coverage pass (-C passes=sancov-module) calls the functions of AFL++'s run-time
# object, which also holds its fork server. Only the target's code is counted (build scripts are not: --target). Debian: apt-get install afl++.
set -eu
cd "$(dirname "$0")"
runtime=${AFL_RUNTIME:-/usr/lib/afl/afl-compiler-rt.o}
test -f "$runtime" || { echo "no $runtime: install afl++, or name it in AFL_RUNTIME" >&2; exit 1; }
host=$(rustc -vV | sed -n 's/^host: //p')
RUSTFLAGS="-C passes=sancov-module -C llvm-args=-sanitizer-coverage-level=3 -C llvm-args=-sanitizer-coverage-trace-pc-guard -C codegen-units=4 -C link-arg=$runtime" \
    ${CARGO:-cargo} build --release --target "$host" "$@"
