//! One input into one reader: `plumbsight-fuzz TARGET < INPUT`. What the reader says is not looked at; a panic, an endless loop or a giant allocation is
//! a finding. `run.sh` beside this builds it with AFL++'s counters and runs it. The same targets are replayed in `tests/hostile.rs` on the kept corpus.

#![forbid(unsafe_code)]

mod targets;

use std::io::Read;

fn main() {
    let Some(target) = std::env::args().nth(1) else {
        eprintln!("one of: {}", targets::NAMES.join(" "));
        std::process::exit(2);
    };
    let mut bytes = Vec::new();
    if std::io::stdin().read_to_end(&mut bytes).is_err() || !targets::run(&target, &bytes) {
        eprintln!("one of: {}", targets::NAMES.join(" "));
        std::process::exit(2);
    }
}
