//! A sound when the state changes, for whoever looks at the stand and not at the screen. Off unless it is asked for.
//!
//! The system's own player plays it, so that no audio library and no system package is needed to build the program. Never the only sign: everything that
//! sounds is on the screen too.

use crate::panel::model::Model;
use crate::record::result::Verdict;
use std::process::{Command, Stdio};

/// Samples a second.
const RATE: u32 = 22_050;

/// What can be heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cue {
    /// Rising: in tolerance now.
    In,
    /// Falling: in tolerance no longer.
    Left,
    /// Three times high: something moved during the hold watch.
    Moved,
}

/// What a cue depends on, of one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Heard {
    verdict: Option<Verdict>,
    moved: bool,
}

impl Heard {
    /// Of the model as it is. Only a live reading counts: a check is waited for at the screen. What is old says nothing.
    pub fn of(model: &Model, before: Heard) -> Self {
        let live = model.shown().filter(|s| s.live && !s.old).map(|s| s.standing.verdict);
        Self {
            // A moment in which nothing is seen is no change.
            verdict: live.or(before.verdict.filter(|_| model.live_view().is_some())),
            moved: model.hold_view().is_some_and(|h| h.broken),
        }
    }

    /// What is to be heard at the change from `before` to this.
    pub fn cue(self, before: Heard) -> Option<Cue> {
        if self.moved && !before.moved {
            return Some(Cue::Moved);
        }
        match (before.verdict == Some(Verdict::In), self.verdict) {
            (false, Some(Verdict::In)) => Some(Cue::In),
            (true, Some(_)) if self.verdict != Some(Verdict::In) => Some(Cue::Left),
            _ => None,
        }
    }
}

impl Cue {
    /// Its tones: hertz and seconds; 0 Hz is a pause.
    fn tones(self) -> &'static [(f64, f64)] {
        match self {
            Cue::In => &[(660.0, 0.13), (880.0, 0.22)],
            Cue::Left => &[(660.0, 0.13), (440.0, 0.22)],
            Cue::Moved => &[(1320.0, 0.15), (0.0, 0.09), (1320.0, 0.15), (0.0, 0.09), (1320.0, 0.15)],
        }
    }

    /// As a WAVE file (16 bit, one channel; RIFF as in the Multimedia Programming Interface and Data Specifications 1.0, 1991).
    pub fn wave(self) -> Vec<u8> {
        let mut samples: Vec<i16> = Vec::new();
        for (hertz, lasts_s) in self.tones() {
            let n = (f64::from(RATE) * lasts_s) as u32;
            for k in 0..n {
                // Softened at both ends, so that it does not click.
                let edge = f64::from(k.min(n - k)) / (0.008 * f64::from(RATE));
                let turn = std::f64::consts::TAU * hertz * f64::from(k) / f64::from(RATE);
                samples.push((0.4 * edge.min(1.0) * turn.sin() * f64::from(i16::MAX)) as i16);
            }
        }
        let bytes = 2 * samples.len() as u32;
        let mut out = Vec::with_capacity(44 + bytes as usize);
        out.extend(b"RIFF");
        out.extend((36 + bytes).to_le_bytes());
        out.extend(b"WAVEfmt ");
        out.extend(16u32.to_le_bytes());
        out.extend(1u16.to_le_bytes());
        out.extend(1u16.to_le_bytes());
        out.extend(RATE.to_le_bytes());
        out.extend((2 * RATE).to_le_bytes());
        out.extend(2u16.to_le_bytes());
        out.extend(16u16.to_le_bytes());
        out.extend(b"data");
        out.extend(bytes.to_le_bytes());
        samples.iter().for_each(|s| out.extend(s.to_le_bytes()));
        out
    }

    /// Plays it beside the window. Where no player is found nothing is heard.
    pub fn play(self) {
        std::thread::spawn(move || {
            // A file that only this user can read and nobody can have put there before; it goes when this ends.
            let Ok(folder) = private_folder() else { return };
            let file = folder.join("cue.wav");
            if std::fs::write(&file, self.wave()).is_ok() {
                let quiet = |command: &mut Command| {
                    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).status()
                };
                if cfg!(windows) {
                    let script = format!("(New-Object Media.SoundPlayer '{}').PlaySync()", file.display());
                    let _ = quiet(Command::new("powershell").args(["-NoProfile", "-Command", &script]));
                } else {
                    let players = ["pw-play", "paplay", "aplay", "afplay"];
                    let _ = players
                        .iter()
                        .any(|player| quiet(Command::new(player).arg(&file)).is_ok_and(|status| status.success()));
                }
            }
            let _ = std::fs::remove_dir_all(&folder);
        });
    }
}

/// A new folder with a name that was not there.
fn private_folder() -> std::io::Result<std::path::PathBuf> {
    let mut seed = [0u8; 8];
    getrandom::fill(&mut seed).map_err(|_| std::io::Error::other("no random numbers"))?;
    let folder = std::env::temp_dir().join(format!("plumbsight-{:016x}", u64::from_le_bytes(seed)));
    std::fs::create_dir(&folder)?;
    Ok(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cue_sounds_at_changes_only() {
        let heard = |verdict, moved| Heard { verdict, moved };
        let nothing = Heard::default();
        let good = heard(Some(Verdict::In), false);
        let unsure = heard(Some(Verdict::NotProven), false);
        assert_eq!(good.cue(nothing), Some(Cue::In));
        assert_eq!(good.cue(good), None);
        assert_eq!(unsure.cue(good), Some(Cue::Left));
        assert_eq!(heard(Some(Verdict::Out), false).cue(unsure), None);
        assert_eq!(nothing.cue(good), None, "a reading that ended is not one that left");
        assert_eq!(heard(Some(Verdict::In), true).cue(good), Some(Cue::Moved));
        assert_eq!(heard(None, true).cue(heard(None, true)), None);
    }

    /// The header says what follows it, and the tone has the frequency it should have: zero crossings are counted.
    #[test]
    fn a_wave_file_holds_its_tones() {
        for cue in [Cue::In, Cue::Left, Cue::Moved] {
            let wave = cue.wave();
            let number = |at: usize| u32::from_le_bytes(wave[at..at + 4].try_into().unwrap());
            assert_eq!((&wave[..4], &wave[8..16]), (&b"RIFF"[..], &b"WAVEfmt "[..]));
            assert_eq!((number(4) as usize, number(40) as usize), (wave.len() - 8, wave.len() - 44));
            let samples: Vec<i16> =
                wave[44..].chunks_exact(2).map(|b| i16::from_le_bytes(b.try_into().unwrap())).collect();
            let (hertz, lasts_s) = cue.tones()[0];
            let first = &samples[1..(f64::from(RATE) * lasts_s) as usize];
            let rising = first.windows(2).filter(|p| p[0] < 0 && p[1] >= 0).count() as f64;
            assert!((rising - hertz * lasts_s).abs() < 2.0, "{cue:?}: {rising}");
        }
    }
}
