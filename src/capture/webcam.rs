//! Webcams through nokhwa (V4L2, Media Foundation, AVFoundation); nothing of that library is named anywhere else.
//!
//! The camera lives on a thread of its own and never leaves it: `frame()` has no time limit and blocks for ever where a driver stops sending. What arrives is
//! handed over through a slot of one picture, the newest wins. A thread that hangs is left behind; it ends when its driver lets go of it, which unplugging does,
//! and only then can the camera be opened again. JPEG pictures are decoded here by zune-jpeg, not by the library's own decoder, and YUYV gives its Y as it is
//! (the library's grey is the mean of red, green and blue).

use crate::capture::formats::{CameraEntry, CameraWish, Coding, Format, choose, frame_of};
use crate::capture::source::{FrameSource, Loss, Next};
use nokhwa::utils::{
    ApiBackend, CameraFormat, CameraIndex, ControlValueDescription, ControlValueSetter, FrameFormat,
    KnownCameraControl, RequestedFormat, RequestedFormatType, Resolution, frame_formats,
};
use nokhwa::{Camera, NokhwaError, nokhwa_check, nokhwa_initialize, query};
use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::time::{Duration, Instant};

/// Time that automatic exposure and focus get before they are held. Common practice, no source.
const SETTLE: Duration = Duration::from_millis(1500);

/// Silence after which the camera counts as lost, so that it is opened again. Common practice, no source.
const LONGEST_SILENCE: Duration = Duration::from_secs(8);

/// Limit for opening: some drivers take seconds. Common practice, no source.
const LONGEST_OPENING: Duration = Duration::from_secs(15);

/// Time that an earlier thread of the same camera gets to end before the camera counts as held. Common practice, no source.
const LONGEST_HANDOVER: Duration = Duration::from_secs(2);

/// The cameras that a thread of this program holds. The library gives one and the same device to all who open it within a program, and closing one of them stops
/// the others' stream, so that a camera is not opened before its earlier thread has let go of it.
static HELD: Mutex<BTreeSet<u32>> = Mutex::new(BTreeSet::new());

/// Held from before a camera's thread begins until it ends, however it ends.
struct Held(u32);

impl Held {
    /// `None` where another thread holds the camera for longer than `limit`.
    fn take(number: u32, limit: Duration) -> Option<Held> {
        let until = Instant::now() + limit;
        loop {
            if HELD.lock().unwrap_or_else(|poisoned| poisoned.into_inner()).insert(number) {
                return Some(Held(number));
            }
            if Instant::now() >= until {
                return None;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        HELD.lock().unwrap_or_else(|poisoned| poisoned.into_inner()).remove(&self.0);
    }
}

/// What the camera's thread hands over.
#[derive(Default)]
struct Slot {
    opened: Option<Result<Opened, Loss>>,
    newest: Option<Raw>,
    over: Option<Loss>,
    notes: Vec<String>,
    count: u64,
}

#[derive(Clone)]
struct Opened {
    name: String,
    format: Format,
    why: String,
}

/// A picture as it came.
struct Raw {
    number: u64,
    time: Duration,
    bytes: Vec<u8>,
}

struct Shared {
    slot: Mutex<Slot>,
    changed: Condvar,
    stop: AtomicBool,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Slot> {
        self.slot.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
    }

    fn wait<'a>(&self, slot: MutexGuard<'a, Slot>, limit: Duration) -> MutexGuard<'a, Slot> {
        match self.changed.wait_timeout(slot, limit) {
            Ok((slot, _)) => slot,
            Err(poisoned) => poisoned.into_inner().0,
        }
    }
}

/// An open webcam.
pub struct Webcam {
    number: u32,
    opened: Opened,
    shared: Arc<Shared>,
    last: Instant,
}

impl Webcam {
    /// Opens a camera in the format that suits the wish.
    pub fn open(number: u32, wish: CameraWish, epoch: Instant) -> Result<Self, Loss> {
        let shared = Arc::new(Shared { slot: Mutex::default(), changed: Condvar::new(), stop: AtomicBool::new(false) });
        let held = Held::take(number, LONGEST_HANDOVER)
            .ok_or_else(|| gone("an earlier read of it has not come back, its driver hangs"))?;
        let theirs = shared.clone();
        let spawned = std::thread::Builder::new().name(format!("camera {number}")).spawn(move || {
            // The library and its drivers panic in places (closing a stream that failed, for one): that is a lost camera, not the end of the program.
            let end = catch_unwind(AssertUnwindSafe(|| run(number, wish, epoch, &theirs)));
            let loss = end.unwrap_or_else(|_| Some(gone("its driver failed")));
            let mut slot = theirs.lock();
            if let Some(loss) = loss {
                slot.opened.get_or_insert_with(|| Err(loss.clone()));
                slot.over = Some(loss);
            }
            drop(slot);
            drop(held);
            theirs.changed.notify_all();
        });
        spawned
            .map_err(|e| Loss::lasting(format!("the system gives no thread for it ({e})"), "Close other programs."))?;
        let until = Instant::now() + LONGEST_OPENING;
        let mut slot = shared.lock();
        let opened = loop {
            if let Some(opened) = slot.opened.clone() {
                break opened;
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                shared.stop.store(true, Ordering::Relaxed);
                break Err(gone("its driver does not open it"));
            }
            slot = shared.wait(slot, left);
        };
        drop(slot);
        Ok(Self { number, opened: opened?, shared, last: Instant::now() })
    }
}

impl Drop for Webcam {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Relaxed);
    }
}

impl FrameSource for Webcam {
    fn about(&self) -> String {
        format!("camera {} ({}), {}", self.number, self.opened.name, self.opened.format)
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = vec![format!("Format chosen: {}.", self.opened.why)];
        notes.extend(self.shared.lock().notes.iter().cloned());
        notes
    }

    fn next(&mut self, wait: Duration) -> Next {
        let until = Instant::now() + wait;
        let mut slot = self.shared.lock();
        let raw = loop {
            if let Some(raw) = slot.newest.take() {
                break raw;
            }
            if let Some(loss) = slot.over.clone() {
                return Next::Lost(loss);
            }
            if self.last.elapsed() > LONGEST_SILENCE {
                return Next::Lost(gone(format!("it has sent nothing for {} s", LONGEST_SILENCE.as_secs())));
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Next::Nothing;
            }
            slot = self.shared.wait(slot, left);
        };
        drop(slot);
        self.last = Instant::now();
        let name = format!("camera {}, picture {}", self.number, raw.number);
        match frame_of(self.opened.format, &raw.bytes, raw.number, raw.time, name.clone()) {
            Ok(frame) => Next::Frame(Box::new(frame)),
            Err(error) => Next::Spoiled { name, why: error.to_string() },
        }
    }
}

fn gone(why: impl Into<String>) -> Loss {
    Loss::passing(why, "Check its cable; unplug it and plug it in again; close other programs that use it.")
}

fn refused(error: &NokhwaError) -> Loss {
    let text = error.to_string();
    if text.contains("os error 2)") || text.contains("os error 19)") {
        return Loss::passing(
            "there is no such camera",
            "Plug it in; `plumbsight cameras` lists those that are there.",
        );
    }
    if text.contains("os error 13)") {
        return Loss::passing(
            "this user may not open it",
            "Add the user to the group `video`, or allow camera access in the system's settings.",
        );
    }
    if text.contains("os error 16)") {
        return gone("it is in use, by another program or by a read that hangs");
    }
    if text.contains("not whole number") {
        return gone("it stands at a rate that is no whole number, which the camera library cannot read");
    }
    gone(text)
}

/// The camera's thread; `None` where it was stopped, else why it is over.
fn run(number: u32, wish: CameraWish, epoch: Instant, shared: &Shared) -> Option<Loss> {
    let Settled { mut camera, name, format, why, .. } = match settle(number, wish) {
        Ok(settled) => settled,
        Err(loss) => return Some(loss),
    };
    if let Err(e) = camera.open_stream() {
        return Some(refused(&e));
    }
    shared.lock().opened = Some(Ok(Opened { name, format, why }));
    shared.changed.notify_all();
    let mut hold_at = Some(Instant::now() + SETTLE);
    let loss = loop {
        if shared.stop.load(Ordering::Relaxed) {
            break None;
        }
        let buffer = match camera.frame() {
            Ok(buffer) => buffer,
            Err(e) => break Some(refused_reading(&e)),
        };
        let bytes = buffer.buffer();
        // The driver's buffer is often far longer than the picture.
        let end = match format.coding {
            Coding::Mjpeg => crate::capture::jpeg::end_of(bytes).unwrap_or(bytes.len().min(64)),
            _ => bytes.len(),
        };
        let bytes = bytes[..end].to_vec();
        let mut slot = shared.lock();
        let number = slot.count;
        slot.count += 1;
        slot.newest = Some(Raw { number, time: epoch.elapsed(), bytes });
        drop(slot);
        shared.changed.notify_all();
        if hold_at.is_some_and(|at| Instant::now() >= at) {
            hold_at = None;
            let notes = hold(&mut camera, wish);
            shared.lock().notes = notes;
        }
    };
    let _ = camera.stop_stream();
    loss
}

fn refused_reading(error: &NokhwaError) -> Loss {
    let text = error.to_string();
    if text.contains("os error 19)") { gone("it was unplugged") } else { gone(format!("reading failed ({text})")) }
}

/// All that the library can read.
fn any() -> RequestedFormat<'static> {
    RequestedFormat::with_formats(RequestedFormatType::None, frame_formats())
}

/// macOS asks the person before a program may use a camera, and does so once this is called; elsewhere it is always allowed.
fn allowed() -> Result<(), Loss> {
    if !nokhwa_check() {
        nokhwa_initialize(|_| {});
        return Err(Loss::passing("this program may not use it", "Allow it in the system's settings for privacy."));
    }
    Ok(())
}

/// Formats that are tried before a camera is given up.
const MOST_TRIES: usize = 16;

/// An open camera, the format that was really set and why, and what the camera offers.
struct Settled {
    camera: Camera,
    name: String,
    format: Format,
    why: String,
    formats: Vec<Format>,
}

/// Asks a camera what it offers, and opens it in the format that suits the wish.
///
/// The library lists rates by their denominators alone: 12.5 a second (2/25 s) as 25. A camera that is set to such a rate can then not be opened again (the
/// library refuses rates that are no whole number), so it is asked for the closest rate that it really has, and what turns out not to exist is crossed out.
fn settle(number: u32, wish: CameraWish) -> Result<Settled, Loss> {
    allowed()?;
    let index = CameraIndex::Index(number);
    let mut camera = Camera::new(index.clone(), any()).map_err(|e| refused(&e))?;
    let mut formats = formats_of(&mut camera).map_err(|e| refused(&e))?;
    let name = camera.info().human_name();
    drop(camera);
    for _ in 0..MOST_TRIES {
        let Some((wanted, why)) = choose(&formats, wish.size) else { break };
        let request = RequestedFormat::with_formats(RequestedFormatType::Closest(theirs(wanted)), frame_formats());
        match Camera::new(index.clone(), request) {
            Ok(camera) => {
                let format = ours(&camera.camera_format());
                if format == wanted {
                    return Ok(Settled { camera, name, format, why, formats });
                }
                formats.retain(|f| *f != wanted);
                if !formats.contains(&format) {
                    formats.push(format);
                }
            }
            Err(e) if e.to_string().contains("os error") => return Err(refused(&e)),
            Err(_) => formats.retain(|f| *f != wanted),
        }
    }
    Err(Loss::lasting(
        "it offers no kind of picture that can be read",
        "Use another camera. MJPEG, YUYV, NV12, grey and RGB are read.",
    ))
}

fn formats_of(camera: &mut Camera) -> Result<Vec<Format>, NokhwaError> {
    let mut all: Vec<Format> = camera.compatible_camera_formats()?.iter().map(ours).collect();
    all.sort_by_key(|f| (f.width * f.height, f.coding as u8, f.rate_hz));
    all.dedup();
    Ok(all)
}

fn ours(format: &CameraFormat) -> Format {
    let coding = match format.format() {
        FrameFormat::MJPEG => Coding::Mjpeg,
        FrameFormat::YUYV => Coding::Yuyv,
        FrameFormat::NV12 => Coding::Nv12,
        FrameFormat::GRAY => Coding::Gray,
        FrameFormat::RAWRGB => Coding::Rgb,
        FrameFormat::RAWBGR => Coding::Bgr,
    };
    Format { width: format.width() as usize, height: format.height() as usize, coding, rate_hz: format.frame_rate() }
}

fn theirs(format: Format) -> CameraFormat {
    let coding = match format.coding {
        Coding::Mjpeg => FrameFormat::MJPEG,
        Coding::Yuyv => FrameFormat::YUYV,
        Coding::Nv12 => FrameFormat::NV12,
        Coding::Gray => FrameFormat::GRAY,
        Coding::Rgb => FrameFormat::RAWRGB,
        Coding::Bgr => FrameFormat::RAWBGR,
    };
    CameraFormat::new(Resolution::new(format.width as u32, format.height as u32), coding, format.rate_hz)
}

/// The cameras of this machine, with what they offer and what would be used. Each is opened for a moment.
pub fn list(wish: CameraWish) -> Result<Vec<CameraEntry>, Loss> {
    let found = catch_unwind(|| query(ApiBackend::Auto)).unwrap_or_else(|_| Ok(Vec::new()));
    let mut infos = found.map_err(|e| {
        Loss::lasting(
            format!("the system does not list its cameras ({e})"),
            "Check that it allows this program to use cameras.",
        )
    })?;
    infos.sort_by_key(|info| info.index().as_index().unwrap_or(u32::MAX));
    let mut entries = Vec::new();
    for info in infos {
        let Ok(number) = info.index().as_index() else { continue };
        let Some(_held) = Held::take(number, Duration::ZERO) else {
            let trouble = Some("it is in use by this program".to_owned());
            entries.push(CameraEntry { number, name: info.human_name(), formats: Vec::new(), chosen: None, trouble });
            continue;
        };
        let asked = catch_unwind(|| settle(number, wish).map(|s| (s.formats, s.format, s.why)));
        let asked = asked.unwrap_or_else(|_| Err(gone("its driver failed when it was asked")));
        let (formats, chosen, trouble) = match asked {
            Ok((formats, format, why)) => (formats, Some((format, why)), None),
            Err(loss) => (Vec::new(), None, Some(loss.to_string())),
        };
        entries.push(CameraEntry { number, name: info.human_name(), formats, chosen, trouble });
    }
    Ok(entries)
}

/// Controls of the camera class by their numbers. Source: linux/v4l2-controls.h (V4L2_CID_CAMERA_CLASS_BASE and what follows it).
#[cfg(target_os = "linux")]
mod control {
    const BASE: u128 = 0x009a_0900;
    pub const EXPOSURE_AUTO: u128 = BASE + 1;
    pub const EXPOSURE_ABSOLUTE: u128 = BASE + 2;
    pub const FOCUS_ABSOLUTE: u128 = BASE + 10;
    pub const FOCUS_AUTO: u128 = BASE + 12;
    /// V4L2_EXPOSURE_MANUAL.
    pub const MANUAL: i64 = 1;
}

/// Holds focus and exposure where they have settled, as far as the driver lets; what came of it, in words.
#[cfg(target_os = "linux")]
fn hold(camera: &mut Camera, wish: CameraWish) -> Vec<String> {
    let mut notes = Vec::new();
    let whole =
        |camera: &Camera, id: u128| match camera.camera_control(KnownCameraControl::Other(id)).ok()?.description() {
            ControlValueDescription::IntegerRange { value, .. } | ControlValueDescription::Integer { value, .. } => {
                Some(*value)
            }
            ControlValueDescription::Boolean { value, .. } => Some(i64::from(*value)),
            _ => None,
        };
    let set = |camera: &mut Camera, id: u128, value: ControlValueSetter| {
        camera.set_camera_control(KnownCameraControl::Other(id), value).map_err(|e| e.to_string())
    };
    let focus = whole(camera, control::FOCUS_ABSOLUTE);
    let auto_focus = whole(camera, control::FOCUS_AUTO);
    let mut focus_held = Ok(());
    if auto_focus.is_some_and(|on| on != 0) {
        focus_held = set(camera, control::FOCUS_AUTO, ControlValueSetter::Boolean(false));
    }
    if let (Some(now), Ok(())) = (focus, &focus_held) {
        // Switching the automatic off may move the lens to the last value set by hand: say where it is to stay.
        focus_held = set(camera, control::FOCUS_ABSOLUTE, ControlValueSetter::Integer(wish.focus.unwrap_or(now)));
    }
    notes.push(match (focus_held, focus, auto_focus) {
        (Err(why), _, _) => format!("The driver does not let its focus be held ({why}): a lens profile then holds only as long as the focus happens to stay."),
        (Ok(()), None, None) => "The driver offers no focus setting: right for a camera of fixed focus; one with autofocus must be held with its own program.".to_owned(),
        (Ok(()), Some(now), _) => format!("Focus held at {}: use the same value as for its lens profile.", wish.focus.unwrap_or(now)),
        (Ok(()), None, Some(_)) => "Autofocus is off; the driver does not say where the focus stands.".to_owned(),
    });
    let exposure = whole(camera, control::EXPOSURE_ABSOLUTE);
    notes.push(match whole(camera, control::EXPOSURE_AUTO) {
        None => "The driver offers no exposure setting: brightness may change with the light, which moves no edge but costs contrast.".to_owned(),
        Some(_) => {
            let held = set(camera, control::EXPOSURE_AUTO, ControlValueSetter::Integer(control::MANUAL))
                .and_then(|()| exposure.map_or(Ok(()), |e| set(camera, control::EXPOSURE_ABSOLUTE, ControlValueSetter::Integer(e))));
            match (held, exposure) {
                (Ok(()), Some(e)) => format!("Exposure held at {} ms.", e as f64 / 10.0),
                (Ok(()), None) => "Exposure held.".to_owned(),
                (Err(why), _) => format!("The driver does not let its exposure be held ({why})."),
            }
        }
    });
    notes
}

/// Elsewhere the library cannot switch the automatic controls off.
#[cfg(not(target_os = "linux"))]
fn hold(camera: &mut Camera, wish: CameraWish) -> Vec<String> {
    let _ = (camera, wish);
    vec![
        "On this system focus and exposure cannot be held from here: switch autofocus off in the camera's own program, as it was when its lens profile was made."
            .to_owned(),
    ]
}
