//! Saved frames through the same code as live ones: as fast as they are asked for, at the speed at which they were taken, or one by one.
//!
//! Neither [`crate::session::live::Live`] nor [`crate::session::hold::Lookout`] has a clock of its own: a frame brings its time along. What differs between a
//! session and its replay is therefore only the source.

use crate::capture::source::{Frame, FrameSource, Loss, Next};
use std::time::Duration;

/// How long one look at the source may take: `each` is not asked whether to go on more often.
const WAIT: Duration = Duration::from_millis(50);

/// Whether to go on after a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Go {
    /// With the next frame.
    On,
    /// Not.
    Stop,
}

/// What was played.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Played {
    /// Frames that could be used.
    pub frames: u64,
    /// Those that could not: which, and why.
    pub spoiled: Vec<(String, String)>,
}

/// Gives every frame of a source to `each` until the source ends or `each` stops. Errors: the source was lost.
pub fn play(source: &mut dyn FrameSource, each: &mut dyn FnMut(&Frame) -> Go) -> Result<Played, Loss> {
    let mut played = Played::default();
    while step(source, &mut played, each)? == Go::On {}
    Ok(played)
}

/// One frame: for going through a session by hand. [`Go::Stop`] at the end of the source.
pub fn step(source: &mut dyn FrameSource, played: &mut Played, each: &mut dyn FnMut(&Frame) -> Go) -> Result<Go, Loss> {
    loop {
        match source.next(WAIT) {
            Next::Frame(frame) => {
                played.frames += 1;
                return Ok(each(&frame));
            }
            Next::Nothing => {}
            Next::Spoiled { name, why } => played.spoiled.push((name, why)),
            Next::End => return Ok(Go::Stop),
            Next::Lost(loss) => return Err(loss),
        }
    }
}
