//! `plumbsight record`, `recheck` and `key`: a job kept as a record, and a record looked at again.

use crate::cli::report::{against, line};
use crate::cli::{ProgressLine, say};
use crate::record::keep::Moment;
use crate::record::keep::sign::ShopKey;
use crate::record::{Problem, write_new};
use crate::session::Failure;
use crate::session::keep::{self, KeepOptions, Recheck, SignatureState};
use clap::Args;
use std::fmt::Write;
use std::path::{Path, PathBuf};

pub(super) const RECORD_HELP: &str = "\
Copies inputs and photographs byte by byte, measures the copies, and keeps all
of it in a new folder below DIR that is there whole or not at all. Records are
never changed: a correction is a new record that names the old one.
outcome.toml in the job (what the scan tool said, how the road test went) is
kept with it.

Examples:
  plumbsight record my-job --into records --by \"A. Person\"
  plumbsight record my-job --into records --by \"A. Person\" --key shop.pem
  plumbsight record my-job --into records --by \"A. Person\" \\
    --corrects records/2026-03-01_141530_X --reason \"outcome added\"

Exit codes: 0 kept, whatever the verdict
  2 kept, and an open alarm, or a hold log that cannot be read,
    speaks against its verdict
  3 an input is wrong, nothing was kept";

pub(super) const RECHECK_HELP: &str = "\
Compares every file with the record's manifest, checks the signature, and
measures again from the photographs. The same version on the same kind of
machine must give every figure again; another one every deviation within a
tenth of its standard uncertainty, and the same verdict. `sha256sum -c
SHA256SUMS` in the record checks the files without this program.

Examples:
  plumbsight recheck records/2026-03-01_141530_X
  plumbsight recheck records/2026-03-01_141530_X --public-key shop.pub.pem
  plumbsight recheck records/2026-03-01_141530_X --quick

Exit codes: 0 confirmed   1 damaged or different   3 this is no record";

/// Exit code where an open alarm, or a hold log that cannot be read, speaks against what was kept: the one that `check` has then.
const EXIT_ALARM: u8 = 2;

/// Exit code where a record is not confirmed.
const EXIT_NOT_CONFIRMED: u8 = 1;

#[derive(Args)]
pub(super) struct RecordArguments {
    /// The job folder (or its job.toml)
    job: PathBuf,
    /// Where all records are
    #[arg(long, value_name = "DIR")]
    into: PathBuf,
    /// Who keeps it
    #[arg(long, value_name = "NAME")]
    by: String,
    /// What is to be said to it
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// The record that this one corrects; needs --reason
    #[arg(long, value_name = "RECORD", requires = "reason")]
    corrects: Option<PathBuf>,
    /// Why it is corrected
    #[arg(long, value_name = "TEXT", requires = "corrects")]
    reason: Option<String>,
    /// The shop's private key, to sign with
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
}

pub(super) fn record(arguments: &RecordArguments) -> Result<u8, Failure> {
    if arguments.by.trim().is_empty() {
        return Err(Problem::of_file("--by", "nobody is named", "Say who keeps the record.").into());
    }
    let key = arguments.key.as_deref().map(ShopKey::read).transpose()?;
    let corrects = arguments.corrects.as_deref().zip(arguments.reason.as_deref());
    let options = KeepOptions {
        by: &arguments.by,
        note: arguments.note.as_deref(),
        corrects,
        key: key.as_ref(),
        at: Moment::now(),
    };
    let bar = ProgressLine::new();
    let kept = keep::keep(&arguments.job, &arguments.into, &options, &|p| bar.show(p));
    bar.end();
    let kept = kept?;
    let moved = kept.record.moved_since();
    let mark = kept.result.verdict.mark_as_kept(false, moved).shape();
    let mut out = format!("{mark} {}\n", kept.result.verdict.as_kept(false, moved).to_uppercase());
    if let Some(reason) = &kept.result.not_measured {
        let _ = writeln!(out, "{reason}");
    }
    match kept.record.readiness_open {
        Some(0) => {}
        Some(n) => out.push_str(&format!("Readiness: {n} items are open.\n")),
        None => out.push_str("Readiness: no list was kept.\n"),
    }
    out.push_str(&against(&kept.against));
    for words in &kept.noticed {
        line(&mut out, "", words);
    }
    if kept.record.outcome.is_none() {
        let words = format!(
            "Still to come: what the scan tool said and how the road test went. Write both into outcome.toml in the job folder, then record the job once more with --corrects {} --reason TEXT.",
            kept.folder.display()
        );
        line(&mut out, "", &words);
    }
    let _ = writeln!(out, "Kept in {}", kept.folder.display());
    say(&out);
    Ok(if moved { EXIT_ALARM } else { 0 })
}

#[derive(Args)]
pub(super) struct RecheckArguments {
    /// The record's folder
    record: PathBuf,
    /// The shop's public key, instead of the one in the record
    #[arg(long, value_name = "FILE")]
    public_key: Option<PathBuf>,
    /// Files and signature only, without measuring again
    #[arg(long)]
    quick: bool,
}

pub(super) fn recheck(arguments: &RecheckArguments) -> Result<u8, Failure> {
    let bar = ProgressLine::new();
    let done = keep::recheck(&arguments.record, arguments.public_key.as_deref(), arguments.quick, &|p| bar.show(p));
    bar.end();
    let done = done?.with_later(&arguments.record);
    say(&words(&done, arguments));
    Ok(if done.confirmed() { 0 } else { EXIT_NOT_CONFIRMED })
}

/// What is damaged and what contradicts, in sentences.
pub(super) fn not_as_recorded(done: &Recheck) -> impl Iterator<Item = String> {
    let damaged = done.damage.iter().map(|d| format!("DAMAGED: {} {}.", d.file, d.what.words()));
    damaged.chain(done.contradictions.iter().map(|words| format!("CONTRADICTION: {words}.")))
}

fn words(done: &Recheck, arguments: &RecheckArguments) -> String {
    let key_given = arguments.public_key.is_some();
    let mut out = match &done.record {
        Some(r) => {
            let doubted = not_as_recorded(done).next().is_some() || done.signature.against().is_some();
            let moved = r.moved_since();
            format!(
                "Record of {} by {}, revision {}: {} {}\n",
                r.made_local,
                r.by,
                r.revision,
                r.verdict.mark_as_kept(doubted, moved).shape(),
                r.verdict.as_kept(doubted, moved)
            )
        }
        None => "A record whose record.json cannot be read any more.\n".to_owned(),
    };
    // Writing to a text cannot fail; the results are dropped for that reason.
    if let Some(before) = done.record.as_ref().and_then(|r| r.corrects.as_ref()) {
        let _ = writeln!(out, "It corrects {}: {}", before.record, before.reason);
    }
    for words in done.later.iter().chain(&done.noticed) {
        line(&mut out, "", words);
    }
    if done.damage.is_empty() {
        out.push_str("Files: all as recorded.\n");
    }
    for words in not_as_recorded(done) {
        let _ = writeln!(out, "{words}");
    }
    let signature = match (done.signature.against(), done.signature, key_given) {
        (Some(words), ..) => format!("{words}."),
        (None, SignatureState::Good, true) => "Signature: good, made with the key given.".to_owned(),
        (None, SignatureState::Good, false) => format!("Signature: {} (--public-key).", SignatureState::Good.words()),
        (None, signature, _) => format!("Signature: {}.", signature.words()),
    };
    let _ = writeln!(out, "{signature}");
    if let Some(why) = &done.unrepeatable {
        let _ = writeln!(out, "It cannot be measured again: {why}");
    }
    if let Some(again) = &done.repeated {
        if again.identical {
            out.push_str("Measured again: every figure is the same.\n");
        } else if again.differences.is_empty() {
            let _ = writeln!(
                out,
                "Measured again with another version or machine: the same verdict, deviations within {:.3} of their standard uncertainty.",
                again.largest_in_u
            );
        }
        for difference in &again.differences {
            let _ = writeln!(out, "DIFFERENT: {difference}");
        }
    }
    if arguments.quick {
        out.push_str("Nothing was measured again (--quick).\n");
    }
    let end = match (done.confirmed(), done.later.is_empty()) {
        (false, _) => "THE RECORD IS NOT CONFIRMED.",
        (true, false) => "The record is as it was recorded; what stands against its verdict is said above.",
        (true, true) if arguments.quick => "The record's files are confirmed.",
        (true, true) => "The record is confirmed.",
    };
    let _ = writeln!(out, "{end}");
    out
}

pub(super) fn key(file: &Path) -> Result<u8, Failure> {
    let public = file.with_extension("pub.pem");
    if public.exists() {
        return Err(Problem::of_file(
            public.display().to_string(),
            "it is there already",
            "Nothing was written. Name another file.",
        )
        .into());
    }
    let key = ShopKey::generate()?;
    write_new(file, key.private_pem()?.as_bytes(), true)?;
    write_new(&public, key.public_pem()?.as_bytes(), false)?;
    say(&format!(
        "wrote {}: secret; keep it in the shop, with a copy in a safe place\nwrote {}: for anyone who is to check records\n",
        file.display(),
        public.display()
    ));
    Ok(0)
}
