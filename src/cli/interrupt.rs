//! Ctrl-C during what goes on until somebody ends it: the first asks for an end in order, a second one ends the program at once.

use signal_hook::consts::SIGINT;
use signal_hook::flag;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Exit code after a second Ctrl-C, as shells give it (128 + SIGINT).
const ENDED_AT_ONCE: i32 = 130;

/// Whether somebody pressed Ctrl-C.
pub(super) struct Interrupt(Arc<AtomicBool>);

impl Interrupt {
    /// Begins to listen. Where the system does not allow that, Ctrl-C ends the program as ever.
    pub(super) fn listen() -> Self {
        let pressed = Arc::new(AtomicBool::new(false));
        // The one that ends at once comes first: at the first Ctrl-C the flag is not yet set when it looks.
        if flag::register_conditional_shutdown(SIGINT, ENDED_AT_ONCE, pressed.clone()).is_ok() {
            let _ = flag::register(SIGINT, pressed.clone());
        }
        Self(pressed)
    }

    /// True once it was pressed.
    pub(super) fn came(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}
