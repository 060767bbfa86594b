//! Rehearsals: the shipped files, the folder that a trainee works in, and the answer that is given.

use crate::capture::read_text;
use crate::limits::LARGEST_WRITTEN_BYTES;
use crate::record::document::Document;
use crate::record::problem::Problem;
use crate::units::{m_from_mm, rad_from_deg};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The shipped rehearsals. Nothing of a name or a title tells the fault: a class sees them before it works.
const SHIPPED: [(&str, &str); 8] = [
    ("monday", include_str!("../../fixtures/rehearsals/monday.toml")),
    ("tuesday", include_str!("../../fixtures/rehearsals/tuesday.toml")),
    ("wednesday", include_str!("../../fixtures/rehearsals/wednesday.toml")),
    ("thursday", include_str!("../../fixtures/rehearsals/thursday.toml")),
    ("friday", include_str!("../../fixtures/rehearsals/friday.toml")),
    ("saturday", include_str!("../../fixtures/rehearsals/saturday.toml")),
    ("night-shift", include_str!("../../fixtures/rehearsals/night-shift.toml")),
    ("stand-in", include_str!("../../fixtures/rehearsals/stand-in.toml")),
];

/// The file that marks a folder as a rehearsal: which one, and from which seed.
pub const REHEARSAL_FILE: &str = "rehearsal.json";
/// The answer's file.
pub const ANSWER_FILE: &str = "answer.toml";

/// A rehearsal as it is written.
#[derive(Clone, Debug, PartialEq)]
pub struct Rehearsal {
    /// Short name.
    pub name: String,
    /// One line.
    pub title: String,
    /// What the trainee is told.
    pub story: String,
    /// What is said after the answer.
    pub teaches: String,
    /// Photographs of the bay; they are 1280 px wide.
    pub photographs: usize,
    /// How far the stand is off, each component's size between two limits with a drawn sign: m, rad.
    pub stand: [[f64; 2]; 6],
    /// What is wrong.
    pub fault: Fault,
    /// Frames of the hold watch; 0: none.
    pub hold_frames: usize,
    /// Limit of the clamps' run-out as declared and drawn, rad; large where nobody has measured it.
    pub run_out_rad: f64,
    /// True where the place of the stand cannot be proven with what is there.
    pub not_provable: bool,
}

/// What is wrong in a rehearsal; sizes between two limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// Nothing.
    None,
    /// The stand is moved between two photographs, m.
    StandMoved([f64; 2]),
    /// A floor sheet is printed at another scale, as a share.
    SheetSize([f64; 2]),
    /// A tyre is low, Pa.
    TyreLow([f64; 2]),
    /// The stand is bumped while it is watched, m.
    Bumped([f64; 2]),
}

/// Kinds of faults, as they stand in an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub enum FaultKind {
    /// Nothing is wrong.
    #[serde(rename = "none")]
    None,
    /// The stand was moved between photographs.
    #[serde(rename = "stand moved")]
    StandMoved,
    /// A sheet has another size than declared.
    #[serde(rename = "sheet size")]
    SheetSize,
    /// Something of the readiness list.
    #[serde(rename = "not ready")]
    NotReady,
    /// The stand was bumped while it was watched.
    #[serde(rename = "bumped")]
    Bumped,
}

/// What a trainee decides.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub enum Decision {
    /// The routine may be run.
    #[serde(rename = "calibrate")]
    Calibrate,
    /// The stand has to be moved first.
    #[serde(rename = "move the stand")]
    Move,
    /// Nothing is proven yet: first do what the program says would prove it.
    #[serde(rename = "prove more")]
    ProveMore,
    /// Something is wrong that has to be put right first.
    #[serde(rename = "stop")]
    Stop,
}

impl Decision {
    /// As it is written.
    pub fn words(self) -> &'static str {
        match self {
            Decision::Calibrate => "calibrate",
            Decision::Move => "move the stand",
            Decision::ProveMore => "prove more",
            Decision::Stop => "stop",
        }
    }
}

/// A trainee's answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    /// Who.
    pub trainee: String,
    /// What to do.
    pub decision: Decision,
    /// What is wrong.
    pub fault: FaultKind,
    /// With what: a tag's id or an item's name.
    pub culprit: Option<String>,
    /// The first photograph or frame after it happened.
    pub after: Option<String>,
    /// The deviations of the stand, m and rad, in the order of [`crate::placement::Component::ALL`]; `None` where nothing is said.
    pub deviations: [Option<f64>; 6],
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RehearsalToml {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    title: String,
    story: String,
    teaches: String,
    photographs: usize,
    #[serde(default)]
    hold_frames: usize,
    run_out_deg: f64,
    #[serde(default)]
    not_provable: bool,
    stand: SixToml<[f64; 2]>,
    #[serde(default)]
    stand_moved_mm: Option<[f64; 2]>,
    #[serde(default)]
    sheet_size_percent: Option<[f64; 2]>,
    #[serde(default)]
    tyre_low_kpa: Option<[f64; 2]>,
    #[serde(default)]
    bumped_mm: Option<[f64; 2]>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SixToml<T> {
    distance_mm: Option<T>,
    lateral_mm: Option<T>,
    height_mm: Option<T>,
    yaw_deg: Option<T>,
    pitch_deg: Option<T>,
    roll_deg: Option<T>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AnswerToml {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    trainee: String,
    decision: Decision,
    fault: FaultKind,
    culprit: Option<toml::Value>,
    after: Option<toml::Value>,
    deviations: Option<SixToml<f64>>,
}

/// Names of the shipped rehearsals.
pub fn rehearsal_names() -> [&'static str; SHIPPED.len()] {
    SHIPPED.map(|(name, _)| name)
}

/// A shipped rehearsal.
///
/// # Errors
/// There is none of that name; the text lists them.
pub fn shipped_rehearsal(name: &str) -> Result<Rehearsal, Problem> {
    let Some((name, text)) = SHIPPED.iter().find(|(n, _)| *n == name) else {
        return Err(Problem::of_file(
            name,
            "there is no rehearsal of this name",
            format!("The shipped ones are: {}.", rehearsal_names().join(", ")),
        ));
    };
    let document = Document::parse((*text).to_owned(), &format!("rehearsal {name}"), "rehearsal")?;
    let raw: RehearsalToml = document.typed()?;
    let mm = |limits: [f64; 2]| limits.map(m_from_mm);
    let faults: Vec<Fault> = [
        raw.stand_moved_mm.map(|l| Fault::StandMoved(mm(l))),
        raw.sheet_size_percent.map(|l| Fault::SheetSize(l.map(|p| p / 100.0))),
        raw.tyre_low_kpa.map(|l| Fault::TyreLow(l.map(crate::units::pa_from_kpa))),
        raw.bumped_mm.map(|l| Fault::Bumped(mm(l))),
    ]
    .into_iter()
    .flatten()
    .collect();
    if faults.len() > 1 || raw.photographs < 8 {
        return Err(document.problem(
            "",
            "more than one fault, or fewer than 8 photographs",
            "Keep one fault, and 8 photographs.",
        ));
    }
    Ok(Rehearsal {
        name: (*name).to_owned(),
        title: raw.title,
        story: raw.story,
        teaches: raw.teaches,
        photographs: raw.photographs,
        stand: six(&raw.stand, |limits, unit| limits.map(unit)).map(|l| l.unwrap_or_default()),
        fault: faults.first().copied().unwrap_or(Fault::None),
        hold_frames: raw.hold_frames,
        run_out_rad: rad_from_deg(raw.run_out_deg),
        not_provable: raw.not_provable,
    })
}

/// Six numbers, or pairs of them, in inside units; `inside` turns one by the unit of its name.
fn six<T: Copy>(six: &SixToml<T>, inside: impl Fn(T, fn(f64) -> f64) -> T) -> [Option<T>; 6] {
    let (metres, radians) = (|v| inside(v, m_from_mm), |v| inside(v, rad_from_deg));
    [
        six.distance_mm.map(metres),
        six.lateral_mm.map(metres),
        six.height_mm.map(metres),
        six.yaw_deg.map(radians),
        six.pitch_deg.map(radians),
        six.roll_deg.map(radians),
    ]
}

/// Which rehearsal a folder holds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RehearsalMark {
    /// `plumbsight/rehearsal-folder/1`.
    pub format: String,
    /// Its name.
    pub name: String,
    /// The seed, so that a class gets the same.
    pub seed: u64,
}

/// The format line of [`RehearsalMark`].
pub const MARK_FORMAT: &str = "plumbsight/rehearsal-folder/1";

/// Reads which rehearsal a folder holds.
///
/// # Errors
/// It holds none.
pub fn read_mark(folder: &Path) -> Result<RehearsalMark, Problem> {
    let path = folder.join(REHEARSAL_FILE);
    let fail = |what: String| {
        Problem::of_file(
            path.display().to_string(),
            what,
            "Name the folder that `plumbsight rehearse NAME DIR` made, with its rehearsal.json as it was written.",
        )
    };
    let text =
        crate::capture::read_text(&path, crate::limits::LARGEST_WRITTEN_BYTES).map_err(|e| fail(e.to_string()))?;
    let mark: RehearsalMark = serde_json::from_str(&text).map_err(|e| fail(format!("this is no rehearsal ({e})")))?;
    if mark.format != MARK_FORMAT {
        return Err(fail(format!("\"{}\" is not the format of a rehearsal", mark.format)));
    }
    Ok(mark)
}

/// Reads an answer.
///
/// # Errors
/// It is not there or not in order; the line and the choices are named.
pub fn read_answer(folder: &Path) -> Result<Answer, Problem> {
    let path = folder.join(ANSWER_FILE);
    let document = Document::read(&path, &path.display().to_string(), "answer")?;
    if let Some(key) = untouched(&path) {
        return Err(document.problem(
            key,
            format!("the answer was not filled in: {key} is still \"...\""),
            "Write what is right between the quotation marks; the lines above it name the choices.",
        ));
    }
    let raw: AnswerToml = document.typed()?;
    let text = |v: toml::Value| match v {
        toml::Value::String(s) => s.trim().to_owned(),
        other => other.to_string(),
    };
    let given = |v: Option<toml::Value>| v.map(text).filter(|t| !t.is_empty());
    Ok(Answer {
        trainee: raw.trainee,
        decision: raw.decision,
        fault: raw.fault,
        culprit: given(raw.culprit),
        after: given(raw.after),
        deviations: raw.deviations.as_ref().map(|d| six(d, |v, unit| unit(v))).unwrap_or_default(),
    })
}

/// The first key of an answer that still stands as it was handed out.
fn untouched(path: &Path) -> Option<&'static str> {
    let table: toml::Table = toml::from_str(&read_text(path, LARGEST_WRITTEN_BYTES).ok()?).ok()?;
    ["decision", "fault"].into_iter().find(|key| table.get(*key).and_then(toml::Value::as_str) == Some("..."))
}

/// The answer sheet that is filled in.
pub const ANSWER_TEXT: &str = "\
# Your answer. Work the job first: plumbsight check, and what the story says. Then fill this in and run `plumbsight rehearse --answered DIR`.
format = \"plumbsight/answer/1\"
trainee = \"\"

# \"calibrate\", \"move the stand\", \"prove more\" (nothing is proven yet) or \"stop\"
decision = \"...\"

# What is wrong: \"none\", \"stand moved\" (between photographs), \"sheet size\", \"not ready\" or \"bumped\" (while it was watched)
fault = \"...\"
# culprit = \"\"     # with what: the tag's id, the item's name
# after = \"\"       # the first photograph or frame after it happened: \"012\"

# Where the stand is, measured minus required, as far as the procedure asks it. Leave out what cannot be said.
[deviations]
# distance_mm = 0.0
# lateral_mm = 0.0
# height_mm = 0.0
# yaw_deg = 0.0
# pitch_deg = 0.0
# roll_deg = 0.0
";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shipped_ones_are_in_order_and_differ() {
        let all: Vec<Rehearsal> = rehearsal_names().iter().map(|n| shipped_rehearsal(n).unwrap()).collect();
        assert!(all.len() >= 8);
        for (k, one) in all.iter().enumerate() {
            assert!(!one.story.is_empty() && !one.teaches.is_empty());
            assert!(all[..k].iter().all(|other| other.title != one.title));
            // A class must not see the fault from what it sees first.
            let first = format!("{} {} {}", one.name, one.title, one.story).to_lowercase();
            for hint in [
                "bump",
                "print",
                "tyre",
                "moved",
                "turned",
                "side",
                "clean",
                "order:",
                "too little",
                "wrong",
                "run-out",
            ] {
                assert!(!first.contains(hint), "{}: {hint}", one.name);
            }
            assert!(one.stand.iter().all(|[low, high]| low <= high));
        }
        assert!(shipped_rehearsal("none").unwrap_err().remedy.contains("monday"));
    }

    #[test]
    fn an_answer_is_read_and_slips_are_named() {
        let dir = tempfile::tempdir().unwrap();
        let write = |text: String| {
            std::fs::write(dir.path().join(ANSWER_FILE), text).unwrap();
            read_answer(dir.path())
        };
        let problem = write(ANSWER_TEXT.to_owned()).unwrap_err();
        assert!(problem.line.is_some() && problem.what.contains("not filled in"), "{problem}");
        assert!(problem.what.contains("decision") && problem.remedy.contains("choices"), "{problem}");
        let half = write(ANSWER_TEXT.replacen("\"...\"", "\"stop\"", 1)).unwrap_err();
        assert!(half.what.contains("fault is still"), "{half}");
        let wrong = write(ANSWER_TEXT.replacen("\"...\"", "\"go\"", 1).replacen("\"...\"", "\"none\"", 1)).unwrap_err();
        assert!(wrong.line.is_some() && wrong.remedy.contains("calibrate"), "{wrong}");
        let filled = ANSWER_TEXT
            .replacen("\"...\"", "\"stop\"", 1)
            .replacen("\"...\"", "\"stand moved\"", 1)
            .replace("# after = \"\"", "after = \"012\"")
            .replace("# lateral_mm = 0.0", "lateral_mm = -14.0");
        let answer = write(filled).unwrap();
        assert_eq!((answer.decision, answer.fault), (Decision::Stop, FaultKind::StandMoved));
        assert_eq!((answer.after.as_deref(), answer.deviations[1]), (Some("012"), Some(-0.014)));
    }
}
