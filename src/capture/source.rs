//! Frames and where they come from: one trait for webcams, network cameras, watched folders and saved ones, one file for each.
//!
//! A source is used from one thread. What runs it there, restarts it and notices when it hangs is [`crate::capture::feed`].

use crate::capture::exif::ExifState;
use crate::capture::{CaptureError, ImageKind, decode};
use crate::raster::Gray;
use std::borrow::Cow;
use std::time::{Duration, Instant};

/// One picture of a source.
#[derive(Clone, Debug)]
pub struct Frame {
    /// Counted from 0 by its source. A gap means that pictures in between were left out (the newest wins).
    pub number: u64,
    /// When it arrived, since the source's epoch; never runs backwards. A replay gives the time the picture had, or `number / rate`, not that of the replay.
    pub time: Duration,
    /// What a person would call it: the file's name, or `camera 0, picture 12`.
    pub name: String,
    /// Grey values as coded by the camera, stored pixels (no turning).
    pub gray: Gray,
    /// The picture as it came, to be shown in colour or saved.
    pub taken: Taken,
    /// What the camera wrote beside the pixels; `Missing` for most webcams.
    pub exif: ExifState,
}

/// A picture as it came, before it was turned into grey values.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Taken {
    /// The bytes of an image file.
    File(ImageKind, Vec<u8>),
    /// Two pixels in four bytes, Y0 U Y1 V, rows without padding. The grey values are the Y as they are.
    Yuyv(Vec<u8>),
    /// Grey values and nothing else.
    Gray,
}

impl Frame {
    /// A frame from the bytes of an image file.
    pub fn from_file(number: u64, time: Duration, name: String, bytes: Vec<u8>) -> Result<Self, CaptureError> {
        let picture = decode(&bytes)?;
        Ok(Self { number, time, name, gray: picture.gray, taken: Taken::File(picture.kind, bytes), exif: picture.exif })
    }

    /// An image file that holds the picture as taken, and its ending: the file itself where there was one, else a PNG of exactly the grey values that were
    /// measured. An error says why it cannot be coded.
    pub fn file(&self) -> Result<(Cow<'_, [u8]>, &'static str), String> {
        match &self.taken {
            Taken::File(kind, bytes) => Ok((Cow::Borrowed(bytes), kind.ending())),
            Taken::Yuyv(_) | Taken::Gray => {
                crate::capture::encode_gray_png(&self.gray).map(|bytes| (Cow::Owned(bytes), ImageKind::Png.ending()))
            }
        }
    }
}

/// What came of waiting for the next picture.
#[derive(Debug)]
pub enum Next {
    /// A picture.
    Frame(Box<Frame>),
    /// None within the time; the source is still well as far as it knows.
    Nothing,
    /// A picture came that cannot be used (cut off, damaged, a file that is no image): which one, and why. The source goes on.
    Spoiled {
        /// The picture, as [`Frame::name`].
        name: String,
        /// Why, and what to do.
        why: String,
    },
    /// There will be no more: a replay is over.
    End,
    /// The source is gone.
    Lost(Loss),
}

/// Why a source cannot be opened, or is gone.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{what}. {remedy}")]
pub struct Loss {
    /// What is wrong, without the source's name, which whoever shows it says; no full stop at the end.
    pub what: String,
    /// What to do about it: one or more full sentences.
    pub remedy: String,
    /// Whether opening it again may help without anybody changing the request (a camera that was unplugged: yes; an address that cannot be read: no).
    pub again: bool,
}

impl Loss {
    /// A loss that opening again may mend.
    pub fn passing(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { what: what.into(), remedy: remedy.into(), again: true }
    }

    /// A loss that stays until the request is changed.
    pub fn lasting(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { what: what.into(), remedy: remedy.into(), again: false }
    }
}

/// Where pictures come from.
pub trait FrameSource: Send {
    /// What it is, for people: `camera 0 (name), 1280 x 720 YUYV at 30 a second`. It may become more exact once pictures arrive.
    fn about(&self) -> String;

    /// What should be known of it and is not a fault: a control that the driver does not have, a picture rate that differs from the one asked for.
    fn notes(&self) -> Vec<String> {
        Vec::new()
    }

    /// The next picture, waited for no longer than `wait` where the system below allows that. (A webcam's driver may hang: see [`crate::capture::feed`].)
    fn next(&mut self, wait: Duration) -> Next;

    /// Whether pictures keep coming by themselves, so that silence means that something is wrong. A folder that is watched may be silent for as long as it likes.
    fn is_steady(&self) -> bool {
        true
    }

    /// Whether every picture counts (a replay) and none may be left out for a newer one.
    fn keeps_all(&self) -> bool {
        false
    }
}

/// Opens a source, again after each loss. Times of its frames count from the given instant, the same for all sources of a session.
pub type Opener = Box<dyn FnMut(Instant) -> Result<Box<dyn FrameSource>, Loss> + Send>;
