//! The index's tables: the only file that knows SQL.
//!
//! Every value goes in as a parameter, never as a part of a statement, and texts are looked for with `instr`, which knows no wildcards: a name with quotes or
//! percent signs is a name.

use super::chains::{self, Link};
use super::{Kind, Place, Query, SeriesValue};
use crate::record::keep::RecordFile;
use crate::record::result::Verdict;
use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension, ToSql, Transaction, TransactionBehavior, params};
use std::collections::HashMap;
use std::path::Path;
use std::time::Duration;

/// Marks a database as an index of records ("plmb").
const APPLICATION: i64 = 0x706c_6d62;
/// Of the tables; another version is made anew.
const VERSION: i64 = 3;
/// How long another program may hold the index before it is done without.
const PATIENCE: Duration = Duration::from_secs(2);

const TABLES: &str = "
DROP TABLE IF EXISTS records;
DROP TABLE IF EXISTS texts;
DROP TABLE IF EXISTS said;
DROP TABLE IF EXISTS series;
CREATE TABLE records (
  folder TEXT PRIMARY KEY, name TEXT NOT NULL, stamp TEXT NOT NULL, vanished INTEGER NOT NULL DEFAULT 0, damage TEXT,
  made_utc TEXT, sorted TEXT NOT NULL, day TEXT NOT NULL, vin TEXT, placement TEXT, verdict TEXT, by TEXT, revision INTEGER, corrects TEXT, corrects_sha TEXT,
  earlier TEXT NOT NULL, claims TEXT NOT NULL, vouched INTEGER NOT NULL, signer TEXT, manifest_sha TEXT, result_sha TEXT, replaced_by TEXT, doubted_by TEXT
) WITHOUT ROWID;
CREATE INDEX by_time ON records (sorted DESC, folder);
CREATE INDEX by_manifest ON records (manifest_sha);
CREATE INDEX by_name ON records (name);
CREATE TABLE texts (folder TEXT PRIMARY KEY, haystack TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE said (folder TEXT PRIMARY KEY, record TEXT) WITHOUT ROWID;
CREATE TABLE series (folder TEXT NOT NULL, kind TEXT NOT NULL, kit TEXT NOT NULL, entries TEXT NOT NULL);
CREATE INDEX by_folder ON series (folder);
";

// A record that cannot say which car it is of is found by its folder, which is named after the car.
const ASKED: &str = "(:vin IS NULL OR instr(lower(coalesce(r.vin, iif(r.damage IS NULL, '', r.folder))), :vin) > 0) AND (:since IS NULL OR substr(r.day, 1, length(:since)) >= :since) \
                     AND (:until IS NULL OR substr(r.day, 1, length(:until)) <= :until) AND (:placement IS NULL OR instr(r.placement, :placement) > 0) \
                     AND (:verdict IS NULL OR r.verdict = :verdict) AND (:by IS NULL OR instr(r.by, :by) > 0) \
                     AND (:text IS NULL OR r.folder IN (SELECT t.folder FROM texts t WHERE instr(t.haystack, :text) > 0)) AND (:damaged = 0 OR r.damage IS NOT NULL OR r.vanished = 1)";

/// One record as the index keeps it.
pub(super) struct Row {
    pub folder: String,
    pub stamp: String,
    /// What is wrong with its files.
    pub damage: Option<String>,
    pub record: Option<RecordFile>,
    /// False where `record.json` is not as its manifest says: what it claims to correct then counts for nothing.
    pub vouched: bool,
    /// True where the manifest can be read and is as it was written.
    pub whole_manifest: bool,
    /// Sums that stand in a description that nothing vouches for: it may correct those records.
    pub claims: Vec<String>,
    /// Which key signed it, where that is good.
    pub signer: Option<String>,
    /// VIN, placement's title and verdict by the result, where the description cannot be read.
    pub by_result: Option<(Option<String>, String, Verdict)>,
    pub manifest_sha: Option<String>,
    pub result_sha: Option<String>,
    pub haystack: String,
    pub series: Vec<(Kind, String, Vec<SeriesValue>)>,
}

/// One record that was found.
pub(super) struct Match {
    pub folder: String,
    pub day: String,
    pub vanished: bool,
    pub damage: Option<String>,
    /// The newest sound revision of it, where that is another record: its folder.
    pub replaced_by: Option<String>,
    /// The folder of a correction of it that is damaged or gone.
    pub doubted_by: Option<String>,
    /// Its `record.json`.
    pub record: Option<RecordFile>,
}

/// What one measurement adds to the series of a kind.
pub(super) struct Measurement {
    /// When, RFC 3339.
    pub made_utc: String,
    /// The day, local time.
    pub day: String,
    pub kit: String,
    pub values: Vec<SeriesValue>,
}

/// Why an index cannot be used.
pub(super) enum Fault {
    /// It cannot be opened or written there.
    NoAccess(String),
    /// Another program holds it.
    Locked,
    /// It is a database of something else.
    Foreign,
    /// It is none, or broken.
    Broken(String),
}

impl From<rusqlite::Error> for Fault {
    fn from(error: rusqlite::Error) -> Self {
        let words = error.to_string();
        match error.sqlite_error_code() {
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Fault::Locked,
            Some(
                ErrorCode::CannotOpen
                | ErrorCode::ReadOnly
                | ErrorCode::PermissionDenied
                | ErrorCode::DiskFull
                | ErrorCode::SystemIoFailure,
            ) => Fault::NoAccess(words),
            _ => Fault::Broken(words),
        }
    }
}

/// An open index.
pub(super) struct Store {
    connection: Connection,
}

impl Store {
    /// Opens or makes the index; true where it was made or made anew.
    pub fn open(place: &Place, rebuild: bool) -> Result<(Self, bool), Fault> {
        let connection = match place {
            Place::Memory => Connection::open_in_memory()?,
            Place::File(path) => {
                // A link could lead the index into somebody else's file.
                if std::fs::symlink_metadata(path).is_ok_and(|m| !m.is_file()) {
                    return Err(Fault::Foreign);
                }
                let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
                    | OpenFlags::SQLITE_OPEN_CREATE
                    | OpenFlags::SQLITE_OPEN_NO_MUTEX
                    | OpenFlags::SQLITE_OPEN_NOFOLLOW;
                // Only the file itself must be no link; the folders above it may be.
                let whole = path.parent().and_then(|p| p.canonicalize().ok()).zip(path.file_name());
                let path = whole.map_or_else(|| path.clone(), |(folder, name)| folder.join(name));
                Connection::open_with_flags(path, flags)?
            }
        };
        connection.busy_timeout(PATIENCE)?;
        let number = |of: &str| connection.pragma_query_value(None, of, |row| row.get::<_, i64>(0));
        let (application, version) = (number("application_id")?, number("user_version")?);
        let tables: i64 = connection.query_row("SELECT count(*) FROM sqlite_master", [], |row| row.get(0))?;
        if application != APPLICATION && (application != 0 || tables > 0) {
            return Err(Fault::Foreign);
        }
        // A cache: what a crash leaves half written is made anew.
        connection.pragma_update(None, "synchronous", "OFF")?;
        let mut store = Self { connection };
        let fresh = rebuild || application != APPLICATION || version != VERSION;
        let writing = store.begin()?;
        if fresh {
            writing.execute_batch(TABLES)?;
            writing.pragma_update(None, "application_id", APPLICATION)?;
            writing.pragma_update(None, "user_version", VERSION)?;
        }
        writing.commit()?;
        Ok((store, fresh))
    }

    /// Begins to write; nobody else can then.
    pub fn begin(&mut self) -> Result<Transaction<'_>, Fault> {
        Ok(self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?)
    }

    /// Folders that are known, with their stamps and whether they were missing.
    pub fn known(&self) -> Result<HashMap<String, (String, bool)>, Fault> {
        let mut of_all = self.connection.prepare("SELECT folder, stamp, vanished FROM records")?;
        let rows = of_all.query_map([], |row| Ok((row.get(0)?, (row.get(1)?, row.get(2)?))))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Records that match, newest first, at most `limit`, and how many match in all.
    pub fn search(&self, query: &Query) -> Result<(Vec<Match>, usize), Fault> {
        let q = Asked::new(query);
        let asked = format!("FROM records r WHERE {ASKED} AND (:all OR r.replaced_by IS NULL)");
        let all = query.all || query.damaged;
        // Counted apart: a count within the search would carry every match's texts along.
        let total: i64 = self.connection.query_row(
            &format!("SELECT count(*) {asked}"),
            q.with(&[(":all", &all)]).as_slice(),
            |row| row.get(0),
        )?;
        let mut shown = self.connection.prepare(&format!(
            "SELECT r.folder, r.day, r.vanished, r.damage, r.replaced_by, r.doubted_by, (SELECT s.record FROM said s WHERE s.folder = r.folder) {asked} \
             ORDER BY r.sorted DESC, r.folder LIMIT :limit"
        ))?;
        let limit = i64::try_from(query.limit).unwrap_or(i64::MAX);
        let mut out = Vec::new();
        let mut rows = shown.query(q.with(&[(":all", &all), (":limit", &limit)]).as_slice())?;
        while let Some(row) = rows.next()? {
            let record: Option<String> = row.get(6)?;
            out.push(Match {
                folder: row.get(0)?,
                day: row.get(1)?,
                vanished: row.get(2)?,
                damage: row.get(3)?,
                replaced_by: row.get(4)?,
                doubted_by: row.get(5)?,
                record: record.map(|text| serde_json::from_str(&text)).transpose().map_err(not_as_written)?,
            });
        }
        Ok((out, total.unsigned_abs() as usize))
    }

    /// Of all sound newest records that match, one for each measurement.
    pub fn series(&self, kind: Kind, query: &Query) -> Result<Vec<Measurement>, Fault> {
        let statement = format!(
            "SELECT min(r.made_utc), r.day, s.kit, s.entries FROM series s JOIN records r ON r.folder = s.folder WHERE s.kind = :kind AND {ASKED} \
             AND r.vanished = 0 AND r.damage IS NULL AND r.made_utc IS NOT NULL AND r.replaced_by IS NULL GROUP BY r.result_sha, s.kit, s.entries \
             ORDER BY 1, r.folder"
        );
        let mut asked = self.connection.prepare(&statement)?;
        let q = Asked::new(query);
        let word = kind.word();
        let mut rows = asked.query(q.with(&[(":kind", &word)]).as_slice())?;
        let mut out = Vec::new();
        while let Some(row) = rows.next()? {
            let text: String = row.get(3)?;
            let values = serde_json::from_str(&text).map_err(not_as_written)?;
            out.push(Measurement { made_utc: row.get(0)?, day: row.get(1)?, kit: row.get(2)?, values });
        }
        Ok(out)
    }

    /// Corrections that cannot be trusted or followed, in words: of another manifest than the record has, several of one record, of one that is not known.
    pub fn odd_corrections(&self) -> Result<Vec<(String, String)>, Fault> {
        let mut out = Vec::new();
        // A record of that name elsewhere says nothing against a correction whose own original is known.
        let mut other = self.connection.prepare(
            "SELECT c.folder, min(r.folder) FROM records c JOIN records r ON r.name = c.corrects AND r.vanished = 0 \
             WHERE c.vanished = 0 AND NOT EXISTS (SELECT 1 FROM records o WHERE o.manifest_sha = c.corrects_sha) GROUP BY c.folder ORDER BY 1",
        )?;
        let mut rows = other.query([])?;
        while let Some(row) = rows.next()? {
            let (new, old): (String, String) = (row.get(0)?, row.get(1)?);
            out.push((new, format!("It says that it corrects {old}, but names another manifest than that record has: one of the two was exchanged.")));
        }
        // Copies of one correction are one correction.
        let mut twice = self.connection.prepare(
            "SELECT min(folder), count(DISTINCT manifest_sha), corrects FROM records WHERE corrects IS NOT NULL AND vanished = 0 AND damage IS NULL \
             GROUP BY corrects_sha HAVING count(DISTINCT manifest_sha) > 1 ORDER BY 1",
        )?;
        let mut rows = twice.query([])?;
        while let Some(row) = rows.next()? {
            let (new, n, old): (String, i64, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
            out.push((new, format!("{old} was corrected {n} times over, so that there is no one newest revision: compare them before you rely on either.")));
        }
        // A record of before the whole chain was kept in each correction, and a link of it is not here.
        let mut lost = self.connection.prepare(
            "SELECT c.folder, c.corrects FROM records c WHERE c.vanished = 0 AND c.corrects IS NOT NULL AND c.revision > 2 AND c.earlier = '' \
             AND NOT EXISTS (SELECT 1 FROM records o WHERE o.manifest_sha = c.corrects_sha AND o.corrects IS NOT NULL) \
             AND (EXISTS (SELECT 1 FROM records o WHERE o.manifest_sha = c.corrects_sha) OR NOT EXISTS (SELECT 1 FROM records o WHERE o.name = c.corrects)) \
             ORDER BY 1",
        )?;
        let mut rows = lost.query([])?;
        while let Some(row) = rows.next()? {
            let (new, old): (String, String) = (row.get(0)?, row.get(1)?);
            out.push((new, format!("It corrects {old}, which is damaged or not here: what that one corrected may be listed as if it still stood.")));
        }
        // Most shops' folders hold no correction.
        let any: bool = self.connection.query_row(
            "SELECT EXISTS (SELECT 1 FROM records WHERE corrects_sha IS NOT NULL)",
            [],
            |row| row.get(0),
        )?;
        if any {
            out.extend(chains::odd(&links(&self.connection)?));
        }
        Ok(out)
    }
}

/// A text of ours that is not as it was written.
fn not_as_written(error: serde_json::Error) -> Fault {
    Fault::Broken(format!("an entry is damaged: {error}"))
}

/// The parameters of [`ASKED`], in small letters where that is compared.
struct Asked {
    vin: Option<String>,
    since: Option<String>,
    until: Option<String>,
    placement: Option<String>,
    verdict: Option<&'static str>,
    by: Option<String>,
    text: Option<String>,
    damaged: bool,
}

type Parameter<'a> = (&'a str, &'a dyn ToSql);

impl Asked {
    fn new(query: &Query) -> Self {
        let small = |text: &Option<String>| text.as_ref().map(|t| t.trim().to_lowercase());
        Self {
            vin: small(&query.vin),
            since: query.since.clone(),
            until: query.until.clone(),
            placement: small(&query.placement),
            verdict: query.verdict.map(Verdict::words),
            by: small(&query.by),
            text: small(&query.text),
            damaged: query.damaged,
        }
    }

    /// All of them, and those that one statement has besides.
    fn with<'a>(&'a self, more: &[Parameter<'a>]) -> Vec<Parameter<'a>> {
        let mut out: Vec<Parameter<'a>> = vec![
            (":vin", &self.vin),
            (":since", &self.since),
            (":until", &self.until),
            (":placement", &self.placement),
            (":verdict", &self.verdict),
            (":by", &self.by),
            (":text", &self.text),
            (":damaged", &self.damaged),
        ];
        out.extend_from_slice(more);
        out
    }
}

/// What is kept of a record's own description to search and to chain by.
struct Said {
    made_utc: Option<String>,
    day: String,
    vin: Option<String>,
    placement: Option<String>,
    verdict: Option<String>,
    by: Option<String>,
    revision: Option<i64>,
    corrects: Option<String>,
    corrects_sha: Option<String>,
    earlier: String,
    vouched: bool,
    signer: Option<String>,
    manifest_sha: Option<String>,
    haystack: String,
}

impl Said {
    /// As the record has it now.
    fn now(row: &Row, name: &str) -> Self {
        let r = row.record.as_ref();
        let corrects = r.and_then(|r| r.corrects.as_ref()).filter(|_| row.vouched);
        let by_result = row.by_result.as_ref();
        Self {
            made_utc: r.map(|r| r.made_utc.clone()),
            // Of a record that cannot be read, the day that its folder is named after.
            day: r.map(|r| r.made_local.as_str()).unwrap_or(name).chars().take(10).collect(),
            vin: r.map_or_else(|| by_result.and_then(|b| b.0.clone()), |r| r.vin.clone()),
            placement: r.map(|r| &r.placement.title).or(by_result.map(|b| &b.1)).map(|t| t.to_lowercase()),
            verdict: r.map(|r| r.verdict).or(by_result.map(|b| b.2)).map(|v| v.words().to_owned()),
            by: r.map(|r| r.by.to_lowercase()),
            revision: r.map(|r| i64::from(r.revision)),
            corrects: corrects.map(|c| c.record.clone()),
            corrects_sha: corrects.map(|c| c.manifest_sha256.clone()),
            earlier: corrects.map(|c| c.earlier.join(" ")).unwrap_or_default(),
            vouched: row.vouched,
            signer: row.signer.clone(),
            manifest_sha: row.manifest_sha.clone(),
            haystack: row.haystack.clone(),
        }
    }

    /// As it was when it was read whole the last time, where the record is still that one by its manifest, as far as that can be read.
    fn before(writing: &Transaction, row: &Row) -> Result<Option<Self>, Fault> {
        let mut asked = writing.prepare(
            "SELECT r.made_utc, r.day, r.vin, r.placement, r.verdict, r.by, r.revision, r.corrects, r.corrects_sha, r.earlier, r.vouched, r.signer, \
             r.manifest_sha, t.haystack FROM records r JOIN texts t ON t.folder = r.folder \
             WHERE r.folder = ?1 AND r.vouched = 1 AND (?2 IS NULL OR r.manifest_sha = ?2)",
        )?;
        let said = |r: &rusqlite::Row| {
            Ok(Self {
                made_utc: r.get(0)?,
                day: r.get(1)?,
                vin: r.get(2)?,
                placement: r.get(3)?,
                verdict: r.get(4)?,
                by: r.get(5)?,
                revision: r.get(6)?,
                corrects: r.get(7)?,
                corrects_sha: r.get(8)?,
                earlier: r.get(9)?,
                vouched: r.get(10)?,
                signer: r.get(11)?,
                manifest_sha: r.get(12)?,
                haystack: r.get(13)?,
            })
        };
        // A manifest that is there and altered is not that of another record.
        let manifest = row.manifest_sha.as_ref().filter(|_| row.whole_manifest);
        Ok(asked.query_row(params![row.folder, manifest], said).optional()?)
    }
}

/// Writes a row, in place of the one before it. Where the record's own description cannot be read or believed now, what was known of it stays known: a
/// correction that is damaged still corrects.
pub(super) fn put(writing: &Transaction, row: &Row) -> Result<(), Fault> {
    let name = row.folder.rsplit('/').next().unwrap_or(&row.folder);
    let before = if row.vouched { None } else { Said::before(writing, row)? };
    let said = before.unwrap_or_else(|| Said::now(row, name));
    let record = row.record.as_ref().and_then(|r| serde_json::to_string(r).ok());
    writing
        .prepare(
            "INSERT OR REPLACE INTO records (folder, name, stamp, damage, made_utc, sorted, day, vin, placement, verdict, by, revision, \
             corrects, corrects_sha, earlier, claims, vouched, signer, manifest_sha, result_sha) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20)",
        )?
        .execute(params![
            row.folder,
            name,
            row.stamp,
            row.damage,
            said.made_utc,
            // What cannot be read comes first.
            row.record.as_ref().map_or("9999", |r| &r.made_utc),
            said.day,
            said.vin,
            said.placement,
            said.verdict,
            said.by,
            said.revision,
            said.corrects,
            said.corrects_sha,
            said.earlier,
            // Where it is known what it corrects, a guess adds nothing.
            if said.vouched { String::new() } else { row.claims.join(" ") },
            said.vouched,
            said.signer,
            said.manifest_sha,
            row.result_sha,
        ])?;
    writing
        .prepare("INSERT OR REPLACE INTO texts (folder, haystack) VALUES (?1, ?2)")?
        .execute(params![row.folder, said.haystack])?;
    writing
        .prepare("INSERT OR REPLACE INTO said (folder, record) VALUES (?1, ?2)")?
        .execute(params![row.folder, record])?;
    writing.prepare("DELETE FROM series WHERE folder = ?1")?.execute([&row.folder])?;
    for (kind, kit, values) in &row.series {
        let Ok(entries) = serde_json::to_string(values) else { continue };
        writing
            .prepare("INSERT INTO series (folder, kind, kit, entries) VALUES (?1, ?2, ?3, ?4)")?
            .execute(params![row.folder, kind.word(), kit, entries])?;
    }
    Ok(())
}

/// Notes that a record is no longer, or again, there.
pub(super) fn set_vanished(writing: &Transaction, folder: &str, vanished: bool) -> Result<(), Fault> {
    writing.prepare("UPDATE records SET vanished = ?2 WHERE folder = ?1")?.execute(params![folder, vanished])?;
    Ok(())
}

/// Every record as a link of the chains of corrections.
fn links(connection: &Connection) -> Result<Vec<Link>, Fault> {
    let mut of_all = connection.prepare(
        "SELECT folder, manifest_sha, corrects_sha, earlier, claims, vouched, revision IS NULL, vanished = 0 AND damage IS NULL, vanished, \
         coalesce(revision, 0), sorted, signer, replaced_by, doubted_by, vin FROM records",
    )?;
    let rows = of_all.query_map([], |row| {
        let words = |k: usize| row.get::<_, String>(k);
        let (earlier, claims) = (words(3)?, words(4)?);
        let before = row.get::<_, Option<String>>(2)?.into_iter();
        let split = |text: &str| text.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
        Ok(Link {
            folder: row.get(0)?,
            manifest: row.get(1)?,
            before: before.chain(split(&earlier)).collect(),
            blank: row.get::<_, bool>(6)? && claims.is_empty(),
            claims: split(&claims),
            vouched: row.get(5)?,
            sound: row.get(7)?,
            vanished: row.get(8)?,
            revision: row.get(9)?,
            sorted: row.get(10)?,
            signer: row.get(11)?,
            replaced_by: row.get(12)?,
            doubted_by: row.get(13)?,
            vin: row.get(14)?,
        })
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Works out anew which record each one is replaced by, and which cannot be relied on because a correction of it cannot.
pub(super) fn link(writing: &Transaction) -> Result<(), Fault> {
    let all = links(writing)?;
    let standing = chains::standing(&all);
    let mut change = writing.prepare("UPDATE records SET replaced_by = ?2, doubted_by = ?3 WHERE folder = ?1")?;
    for ((link, by), doubted) in all.iter().zip(standing.replaced).zip(standing.doubted) {
        let of = |k: Option<usize>| k.map(|k| &all[k].folder);
        let (by, doubted) = (of(by), of(doubted));
        if by != link.replaced_by.as_ref() || doubted != link.doubted_by.as_ref() {
            change.execute(params![link.folder, by, doubted])?;
        }
    }
    Ok(())
}

/// True where the file is a database of this program, or none at all: it may then be replaced.
pub(super) fn may_replace(path: &Path) -> bool {
    let Ok(connection) = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY) else { return false };
    let application = connection.pragma_query_value(None, "application_id", |row| row.get::<_, i64>(0)).optional();
    // What cannot even say that is no database.
    application.map_or(true, |a| a.is_none_or(|a| a == APPLICATION))
}
