//! Keeping records, without any drawing: what came of the routine, who keeps the record, corrections, records looked at again and found.

use crate::record::OutcomePart;
pub use crate::record::Routine;
use crate::record::keep::RecordFile;
use crate::record::result::Verdict;
use crate::session::keep::{Recheck, SignatureState};
use std::path::PathBuf;

/// Records that a list shows at most; the search is for the rest.
pub const MOST_SHOWN: usize = 200;

/// Lines, each with its mark.
pub type Lines = Vec<(Verdict, String)>;

/// What is typed into the form.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Form {
    /// The folder of all records.
    pub into: String,
    /// Who keeps them.
    pub by: String,
    /// What is to be said to the record.
    pub note: String,
    /// The file of the shop's private key; empty where records are not signed.
    pub key: String,
    /// The record to be corrected.
    pub corrects: Option<PathBuf>,
    /// Why.
    pub reason: String,
    /// What came of the routine.
    pub outcome: OutcomeForm,
}

/// What the scan tool said and how the road test went, as it is typed in.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OutcomeForm {
    /// Which scan tool.
    pub scan_tool: String,
    /// How the routine ended; `None` where nothing is said.
    pub routine: Option<Routine>,
    /// What it said.
    pub message: String,
    /// Fault codes afterwards.
    pub fault_codes: String,
    /// Whether a road test was driven; `None` where nothing is said.
    pub driven: Option<bool>,
    /// How it went, or why none was driven.
    pub road_test: String,
    /// Anything else.
    pub note: String,
}

impl OutcomeForm {
    /// From what is in the job.
    pub fn of(part: &OutcomePart) -> Self {
        let text = |t: &Option<String>| t.clone().unwrap_or_default();
        Self {
            scan_tool: part.scan_tool.clone(),
            routine: Routine::ALL.into_iter().find(|r| r.word() == part.routine),
            message: text(&part.message),
            fault_codes: text(&part.fault_codes),
            driven: part.road_test_driven,
            road_test: text(&part.road_test),
            note: text(&part.note),
        }
    }

    /// What is to be written; `None` where nothing was typed; an error names what lacks.
    pub fn part(&self) -> Result<Option<OutcomePart>, &'static str> {
        let said = |t: &str| Some(t.trim().to_owned()).filter(|t| !t.is_empty());
        if *self == Self::default() {
            return Ok(None);
        }
        let scan_tool = said(&self.scan_tool).ok_or("Say which scan tool it was.")?;
        let routine = self.routine.ok_or("Say how the routine ended.")?;
        let road_test = said(&self.road_test);
        if self.driven.is_some() && road_test.is_none() {
            return Err("Say in a few words how the road test went, or why there was none.");
        }
        if self.driven.is_none() && road_test.is_some() {
            return Err("Say whether the road test was driven.");
        }
        Ok(Some(OutcomePart {
            scan_tool,
            routine: routine.word().into(),
            message: said(&self.message),
            fault_codes: said(&self.fault_codes),
            road_test_driven: self.driven,
            road_test,
            note: said(&self.note),
        }))
    }
}

impl Form {
    /// What lacks before a record can be kept.
    pub fn lacks(&self) -> Option<&'static str> {
        if self.into.trim().is_empty() {
            return Some("Name the folder of all records.");
        }
        if self.by.trim().is_empty() {
            return Some("Say who keeps the record.");
        }
        if self.corrects.is_some() && self.reason.trim().is_empty() {
            return Some("Say why the earlier record is corrected.");
        }
        self.outcome.part().err()
    }
}

/// A record that was kept, as the list shows it.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundRecord {
    /// Its folder.
    pub folder: PathBuf,
    /// When, who, which car, as one line.
    pub line: String,
    /// Its verdict.
    pub verdict: Verdict,
    /// The hold watch named something that moved.
    pub alarms: bool,
    /// Why more alarms may stand in the watch's log than were read.
    pub hold_doubt: Option<String>,
    /// What is wrong with its files or its signature.
    pub damage: Option<String>,
    /// The folder of a correction of it that is damaged or gone.
    pub doubted_by: Option<String>,
    /// What does not fit between it and other records.
    pub noticed: Vec<String>,
    /// All that can be searched for, in small letters.
    words: String,
}

impl FoundRecord {
    /// From what it says of itself.
    pub fn of(folder: PathBuf, record: &RecordFile) -> Self {
        let or_none = |t: &Option<String>| t.clone().unwrap_or_default();
        let car = record.vin.clone().or(record.vehicle_id.clone()).or(record.vehicle.clone()).unwrap_or_default();
        let revision = if record.revision > 1 { format!(", revision {}", record.revision) } else { String::new() };
        let day = record.made_local.replace('T', " ");
        let day = day.get(..16).unwrap_or(&day).to_owned();
        let line = format!("{day}  {car}  {}, by {}{revision}", record.placement.title, record.by);
        let words = [
            line.clone(),
            or_none(&record.title),
            or_none(&record.vehicle),
            or_none(&record.vehicle_id),
            or_none(&record.note),
            record.verdict.words().to_owned(),
            folder.display().to_string(),
        ]
        .join(" ")
        .to_lowercase();
        Self {
            folder,
            line,
            verdict: record.verdict,
            alarms: record.hold_alarms.is_some_and(|n| n > 0),
            hold_doubt: record.hold_doubt.clone(),
            damage: None,
            doubted_by: None,
            noticed: Vec::new(),
            words,
        }
    }

    /// The verdict in the words and with the mark that it may carry now: less than its own where the record, or what it says, may not stand.
    pub fn said(&self) -> (Verdict, String) {
        let doubted = self.damage.is_some() || self.doubted_by.is_some();
        let moved = self.alarms || self.hold_doubt.is_some();
        (self.verdict.mark_as_kept(doubted, moved), self.verdict.as_kept(doubted, moved))
    }

    /// Whether every word of the query is in it.
    pub fn matches(&self, query: &str) -> bool {
        query.to_lowercase().split_whitespace().all(|word| self.words.contains(word))
    }
}

/// The records below a folder.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FoundRecords {
    /// The newest revision of each, newest first.
    pub records: Vec<FoundRecord>,
    /// How many folders of records could not be read.
    pub unread: usize,
    /// What else should be known: folders that could not be looked into, an index that could not be kept.
    pub notices: Vec<String>,
}

/// What the user does with records.
#[derive(Clone, Debug, PartialEq)]
pub enum RecordCommand {
    /// The form as it is now.
    Fill(Box<Form>),
    /// Write what came of the routine into the job's folder.
    WriteOutcome,
    /// Measure the job once more and keep it as a record.
    Keep,
    /// List the records in the folder of all records.
    Find,
    /// Show only those that match.
    Query(String),
    /// Look at this record again: files, signature, measurement.
    Recheck(PathBuf),
    /// Write this record's report as PDF beside the record.
    Report(PathBuf),
}

/// What the worker is to do with records.
#[derive(Clone, Debug)]
pub enum RecordTask {
    /// Write the outcome into the job's folder.
    WriteOutcome(PathBuf, Box<OutcomePart>),
    /// Keep a record of the job in this folder.
    Keep(PathBuf, Box<Form>),
    /// List the records below this folder.
    Find(PathBuf),
    /// Look at this record again.
    Recheck(PathBuf),
    /// Write this record's report.
    Report(PathBuf),
}

/// What the worker tells of records.
#[derive(Clone, Debug)]
pub enum RecordEvent {
    /// The outcome was written, or not, and why.
    OutcomeWritten(Result<(), String>),
    /// A record was kept, or not, and why.
    Recorded(Result<KeptRecord, String>),
    /// The records below a folder.
    Found(Result<FoundRecords, String>),
    /// What came of looking at a record again, or of its report: lines with their mark.
    Rechecked(PathBuf, Result<Lines, String>),
}

/// A record that was kept.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct KeptRecord {
    /// Its folder.
    pub folder: PathBuf,
    /// What should be known of the correction that it is, each in a sentence.
    pub noticed: Vec<String>,
}

/// Something that runs, or what came of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Doing<T> {
    /// It was not asked for.
    #[default]
    Idle,
    /// It runs.
    Running,
    /// It is done.
    Done(T),
    /// It failed, and why.
    Failed(String),
}

impl<T> From<Result<T, String>> for Doing<T> {
    fn from(result: Result<T, String>) -> Self {
        match result {
            Ok(value) => Doing::Done(value),
            Err(why) => Doing::Failed(why),
        }
    }
}

/// Everything about records that is shown.
#[derive(Clone, Debug, Default)]
pub struct Keeping {
    /// The form.
    pub form: Form,
    /// The record in the making.
    pub kept: Doing<KeptRecord>,
    /// The outcome in the making.
    pub written: Doing<()>,
    /// The records that were found.
    pub found: Doing<FoundRecords>,
    /// What is searched for.
    pub query: String,
    /// The record that is looked at again or reported, and what came of it.
    pub rechecked: Option<(PathBuf, Doing<Lines>)>,
}

impl Keeping {
    /// Another job: its outcome, no correction, no words on the last one. Folder, name and key stay.
    pub fn begin(&mut self, outcome: Option<&OutcomePart>) {
        self.form.outcome = outcome.map(OutcomeForm::of).unwrap_or_default();
        self.form.corrects = None;
        self.form.reason.clear();
        self.form.note.clear();
        self.kept = Doing::Idle;
        self.written = Doing::Idle;
    }

    /// Does what the user asked; `job` is the folder of the open job.
    pub fn apply(&mut self, command: RecordCommand, job: Option<&PathBuf>) -> Option<RecordTask> {
        match command {
            RecordCommand::Fill(form) => {
                self.form = *form;
                None
            }
            RecordCommand::Query(query) => {
                self.query = query;
                None
            }
            RecordCommand::WriteOutcome => {
                let part = self.form.outcome.part().ok().flatten()?;
                let task = RecordTask::WriteOutcome(job?.clone(), Box::new(part));
                self.written = Doing::Running;
                Some(task)
            }
            RecordCommand::Keep => {
                if self.form.lacks().is_some() || self.kept == Doing::Running {
                    return None;
                }
                let task = RecordTask::Keep(job?.clone(), Box::new(self.form.clone()));
                self.kept = Doing::Running;
                Some(task)
            }
            RecordCommand::Find => {
                let into = self.form.into.trim();
                if into.is_empty() {
                    return None;
                }
                self.found = Doing::Running;
                Some(RecordTask::Find(into.into()))
            }
            RecordCommand::Recheck(record) => {
                self.rechecked = Some((record.clone(), Doing::Running));
                Some(RecordTask::Recheck(record))
            }
            RecordCommand::Report(record) => {
                self.rechecked = Some((record.clone(), Doing::Running));
                Some(RecordTask::Report(record))
            }
        }
    }

    /// Takes what the worker tells.
    pub fn receive(&mut self, event: RecordEvent) -> Option<RecordTask> {
        match event {
            RecordEvent::OutcomeWritten(written) => self.written = written.into(),
            // Asked for by a job that was closed meanwhile.
            RecordEvent::Recorded(_) if self.kept != Doing::Running => {}
            RecordEvent::Recorded(kept) => {
                self.kept = kept.into();
                if matches!(self.kept, Doing::Done(_)) {
                    // The next record is no correction of the same one by accident.
                    self.form.corrects = None;
                    self.form.reason.clear();
                    self.form.note.clear();
                    // A list that is shown takes the new one in.
                    if matches!(self.found, Doing::Done(_)) {
                        return self.apply(RecordCommand::Find, None);
                    }
                }
            }
            RecordEvent::Found(found) => self.found = found.into(),
            RecordEvent::Rechecked(record, lines) => {
                if let Some((of, doing)) = &mut self.rechecked
                    && *of == record
                {
                    *doing = lines.into();
                }
            }
        }
        None
    }

    /// The records that match what is searched for, and how many there are in all.
    pub fn matching(&self) -> (Vec<&FoundRecord>, usize) {
        let Doing::Done(all) = &self.found else { return (Vec::new(), 0) };
        let matching: Vec<&FoundRecord> = all.records.iter().filter(|r| r.matches(&self.query)).collect();
        let n = matching.len();
        (matching.into_iter().take(MOST_SHOWN).collect(), n)
    }
}

/// What looking at a record again showed, each line with its mark.
pub fn recheck_lines(done: &Recheck) -> Lines {
    let mut out = vec![match done.confirmed() {
        true => (Verdict::In, "The record is confirmed.".to_owned()),
        false => (Verdict::Out, "The record is not confirmed.".to_owned()),
    }];
    if done.damage.is_empty() {
        out.push((Verdict::In, "Files: all as recorded.".into()));
    }
    out.extend(done.damage.iter().map(|d| (Verdict::Out, format!("{} {}.", d.file, d.what.words()))));
    out.extend(done.later.iter().chain(&done.noticed).map(|words| (Verdict::NotProven, words.clone())));
    out.extend(done.contradictions.iter().map(|c| (Verdict::Out, format!("It contradicts itself: {c}."))));
    out.push(match (done.signature.against(), done.signature) {
        (Some(words), _) => (Verdict::Out, format!("{words}.")),
        (None, SignatureState::None) => (Verdict::NotMeasured, "Signature: none.".into()),
        (None, signature) => (Verdict::In, format!("Signature: {}.", signature.words())),
    });
    out.extend(done.unrepeatable.iter().map(|why| (Verdict::Out, format!("It cannot be measured again. {why}"))));
    if let Some(again) = &done.repeated {
        if again.identical {
            out.push((Verdict::In, "Measured again: every figure is the same.".into()));
        } else if again.differences.is_empty() {
            let text = format!(
                "Measured again with another version or machine: the same verdict, deviations within {:.3} of their standard uncertainty.",
                again.largest_in_u
            );
            out.push((Verdict::In, text));
        }
        out.extend(again.differences.iter().map(|d| (Verdict::Out, d.clone())));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outcome() -> OutcomeForm {
        OutcomeForm { scan_tool: "the shop's".into(), routine: Some(Routine::Completed), ..OutcomeForm::default() }
    }

    #[test]
    fn an_outcome_is_whole_or_says_what_lacks() {
        assert_eq!(OutcomeForm::default().part(), Ok(None));
        let part = outcome().part().unwrap().unwrap();
        assert_eq!((part.routine.as_str(), &part.message), ("completed", &None));
        assert_eq!(OutcomeForm::of(&part), outcome());
        for wrong in [
            OutcomeForm { scan_tool: " ".into(), ..outcome() },
            OutcomeForm { routine: None, ..outcome() },
            OutcomeForm { driven: Some(true), ..outcome() },
            OutcomeForm { road_test: "20 km".into(), ..outcome() },
        ] {
            assert!(wrong.part().is_err(), "{wrong:?}");
        }
    }

    #[test]
    fn a_record_is_kept_once_and_only_when_the_form_is_whole() {
        let mut keeping = Keeping::default();
        let job = PathBuf::from("job");
        assert!(keeping.apply(RecordCommand::Keep, Some(&job)).is_none(), "nobody is named");
        keeping.form = Form { into: "records".into(), by: "A. Person".into(), ..Form::default() };
        keeping.form.corrects = Some("records/before".into());
        assert!(keeping.form.lacks().is_some(), "no reason");
        keeping.form.reason = "outcome added".into();
        assert!(matches!(keeping.apply(RecordCommand::Keep, Some(&job)), Some(RecordTask::Keep(..))));
        assert!(keeping.apply(RecordCommand::Keep, Some(&job)).is_none(), "one at a time");
        let now = KeptRecord { folder: "records/now".into(), ..KeptRecord::default() };
        keeping.receive(RecordEvent::Recorded(Ok(now.clone())));
        assert_eq!(keeping.kept, Doing::Done(now));
        assert!(keeping.form.corrects.is_none() && keeping.form.by == "A. Person");
        keeping.begin(None);
        assert_eq!(keeping.kept, Doing::Idle);
    }

    #[test]
    fn what_is_not_confirmed_says_why() {
        use crate::session::keep::{BAD_SIGNATURE, UNREADABLE_SIGNATURE};
        let sound = Recheck {
            record: None,
            damage: Vec::new(),
            contradictions: vec!["record.json contradicts result.json: its VIN is \"A\"".into()],
            later: Vec::new(),
            noticed: Vec::new(),
            signature: SignatureState::None,
            repeated: None,
            unrepeatable: None,
        };
        let says = |done: &Recheck, words: &str| {
            recheck_lines(done).iter().any(|(verdict, line)| *verdict == Verdict::Out && line.contains(words))
        };
        assert!(says(&sound, "not confirmed") && says(&sound, "its VIN is \"A\""));
        let bad = Recheck { signature: SignatureState::Bad, ..sound };
        assert!(says(&bad, BAD_SIGNATURE));
        assert!(says(&Recheck { signature: SignatureState::Unreadable, ..bad }, UNREADABLE_SIGNATURE));
    }

    #[test]
    fn a_word_of_another_record_is_not_taken() {
        let mut keeping = Keeping::default();
        keeping.apply(RecordCommand::Recheck("a".into()), None);
        keeping.receive(RecordEvent::Rechecked("b".into(), Ok(Vec::new())));
        assert_eq!(keeping.rechecked.as_ref().unwrap().1, Doing::Running);
        keeping.receive(RecordEvent::Rechecked("a".into(), Err("no record".into())));
        assert_eq!(keeping.rechecked.unwrap().1, Doing::Failed("no record".into()));
    }
}
