//! `SHA256SUMS`: what a record consists of, checkable with `sha256sum -c`, and by this program file by file.

use crate::record::problem::Problem;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

/// The manifest's name in a record.
pub const MANIFEST: &str = "SHA256SUMS";

/// The signature's name beside it.
pub const SIGNATURE: &str = "SHA256SUMS.sig";

/// Head of the line that guards the manifest itself; `sha256sum -c` takes it for a comment.
const OWN_LINE: &str = "# sha256 of the lines below: ";

/// What is wrong with one file of a record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Damage {
    /// The file, relative to the record.
    pub file: String,
    /// What is wrong with it.
    pub what: DamageKind,
}

/// Kinds of damage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DamageKind {
    /// Its bytes are not those that were recorded.
    Altered,
    /// It is not there.
    Missing,
    /// It is there, and the manifest does not know it.
    Added,
    /// It cannot be read, or is not what a manifest looks like.
    Unreadable(String),
}

impl DamageKind {
    /// In words, to follow the file's name.
    pub fn words(&self) -> String {
        match self {
            DamageKind::Altered => "was altered: its bytes are not those that were recorded".into(),
            DamageKind::Missing => "is missing".into(),
            DamageKind::Added => "was added later: the manifest does not know it".into(),
            DamageKind::Unreadable(why) => format!("cannot be used: {why}"),
        }
    }
}

/// SHA-256 in hexadecimal.
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// SHA-256 of a file, read piece by piece.
pub fn sha256_of(path: &Path) -> std::io::Result<String> {
    // A pipe in place of a file would wait for ever.
    if !std::fs::metadata(path)?.is_file() {
        return Err(std::io::Error::other("it is no file"));
    }
    let mut file = std::fs::File::open(path)?;
    let mut hash = Sha256::new();
    let mut piece = vec![0; 1 << 16];
    loop {
        match file.read(&mut piece)? {
            0 => return Ok(hex(&hash.finalize())),
            n => hash.update(&piece[..n]),
        }
    }
}

/// The manifest's text for files with their sums.
pub fn manifest_text(sums: &BTreeMap<String, String>) -> String {
    let lines: String = sums.iter().map(|(file, sum)| format!("{sum}  {file}\n")).collect();
    format!("{OWN_LINE}{}\n{lines}", sha256_hex(lines.as_bytes()))
}

/// The files of a manifest with their sums; `None` where its own line says that it is not as it was written.
pub fn read_manifest(bytes: &[u8]) -> Option<BTreeMap<String, String>> {
    let (first, lines) = std::str::from_utf8(bytes).ok()?.split_once('\n')?;
    if sha256_hex(lines.as_bytes()) != first.strip_prefix(OWN_LINE)? {
        return None;
    }
    Some(lines.lines().filter_map(|l| l.split_once("  ")).map(|(sum, file)| (file.into(), sum.into())).collect())
}

/// A name that can stand in a manifest: on one line, without a backslash (which `sha256sum` would read as an escape).
pub fn fits_manifest(name: &str) -> bool {
    !name.is_empty() && !name.chars().any(|c| c.is_control() || c == '\\')
}

/// All files below `folder`, relative to it with `/` between the parts, sorted. Links are not followed.
pub fn files_below(folder: &Path) -> std::io::Result<Vec<String>> {
    let mut out = Vec::new();
    let mut open = vec![String::new()];
    while let Some(part) = open.pop() {
        for entry in std::fs::read_dir(folder.join(&part))? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            let name = if part.is_empty() { name } else { format!("{part}/{name}") };
            if entry.file_type()?.is_dir() {
                open.push(name);
            } else {
                out.push(name);
            }
        }
    }
    out.sort();
    Ok(out)
}

/// Every file of a record against its manifest; empty where nothing is wrong.
///
/// # Errors
/// The folder holds no manifest, so that it is no record.
pub fn verify(record: &Path) -> Result<Vec<Damage>, Problem> {
    let path = record.join(MANIFEST);
    let bytes = crate::capture::read_file(&path, crate::limits::LARGEST_WRITTEN_BYTES).map_err(|e| {
        Problem::of_file(
            path.display().to_string(),
            format!("{e}, so that this is no record, or one that lost its manifest"),
            "Name the folder of a record, the one that holds record.json and SHA256SUMS.",
        )
    })?;
    let mut damage = Vec::new();
    let text = String::from_utf8_lossy(&bytes);
    let own = text.split_once('\n').and_then(|(first, rest)| Some((first.strip_prefix(OWN_LINE)?, rest)));
    if own.is_none_or(|(sum, lines)| sha256_hex(lines.as_bytes()) != sum) || std::str::from_utf8(&bytes).is_err() {
        damage.push(Damage { file: MANIFEST.into(), what: DamageKind::Altered });
    }
    let mut known = Vec::new();
    for line in text.lines().filter(|l| !l.starts_with('#')) {
        let entry = line.split_once("  ").filter(|(sum, file)| {
            sum.len() == 64
                && sum.bytes().all(|b| b.is_ascii_hexdigit())
                && crate::record::paths::leaves_folder(file).is_none()
        });
        let Some((sum, file)) = entry else {
            let why = format!("the line \"{}\" is not one of a manifest", line.chars().take(80).collect::<String>());
            damage.push(Damage { file: MANIFEST.into(), what: DamageKind::Unreadable(why) });
            continue;
        };
        known.push(file.to_owned());
        let what = match sha256_of(&record.join(file)) {
            Ok(found) if found == sum => continue,
            Ok(_) => DamageKind::Altered,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => DamageKind::Missing,
            Err(e) => DamageKind::Unreadable(e.to_string()),
        };
        damage.push(Damage { file: file.into(), what });
    }
    let there = files_below(record).map_err(|e| {
        Problem::of_file(record.display().to_string(), format!("it cannot be read ({e})"), "Check the folder.")
    })?;
    let of_its_own = [MANIFEST, SIGNATURE];
    for file in there.into_iter().filter(|f| !of_its_own.contains(&f.as_str()) && !known.contains(f)) {
        damage.push(Damage { file, what: DamageKind::Added });
    }
    Ok(damage)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record() -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        std::fs::create_dir(dir.path().join("job")).unwrap();
        let mut sums = BTreeMap::new();
        for (name, bytes) in
            [("record.json", &b"{}\n"[..]), ("job/a b.jpg", &[0, 1, 2, 255]), ("job/job.toml", b"x = 1\n")]
        {
            std::fs::write(dir.path().join(name), bytes).unwrap();
            sums.insert(name.to_owned(), sha256_hex(bytes));
        }
        std::fs::write(dir.path().join(MANIFEST), manifest_text(&sums)).unwrap();
        dir
    }

    #[test]
    fn sums_are_the_standard_ones() {
        // Source: FIPS 180-4, the published example "abc".
        assert_eq!(sha256_hex(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        let dir = record();
        assert_eq!(verify(dir.path()).unwrap(), []);
        // The standard tool reads the same manifest.
        let out =
            std::process::Command::new("sha256sum").args(["-c", MANIFEST]).current_dir(dir.path()).output().unwrap();
        assert!(out.status.success() && String::from_utf8_lossy(&out.stdout).matches(": OK").count() == 3, "{out:?}");
    }

    #[test]
    fn a_flipped_bit_anywhere_is_found_and_its_file_named() {
        let dir = record();
        let files = files_below(dir.path()).unwrap();
        assert_eq!(files.len(), 4);
        for file in files {
            let path = dir.path().join(&file);
            let bytes = std::fs::read(&path).unwrap();
            for k in 0..bytes.len() {
                for bit in [0, 3, 7] {
                    let mut flipped = bytes.clone();
                    flipped[k] ^= 1 << bit;
                    std::fs::write(&path, &flipped).unwrap();
                    let damage = verify(dir.path()).unwrap();
                    assert!(damage.iter().any(|d| d.file == file), "{file} byte {k} bit {bit}: {damage:?}");
                }
            }
            std::fs::write(&path, &bytes).unwrap();
        }
    }

    #[test]
    fn loss_and_additions_are_named() {
        let dir = record();
        std::fs::remove_file(dir.path().join("job/a b.jpg")).unwrap();
        std::fs::write(dir.path().join("job/b.jpg"), "x").unwrap();
        let damage = verify(dir.path()).unwrap();
        assert_eq!(damage.len(), 2, "{damage:?}");
        assert!(damage.contains(&Damage { file: "job/a b.jpg".into(), what: DamageKind::Missing }));
        assert!(damage.contains(&Damage { file: "job/b.jpg".into(), what: DamageKind::Added }));
        std::fs::remove_file(dir.path().join(MANIFEST)).unwrap();
        assert!(verify(dir.path()).unwrap_err().what.contains("no record"));
    }

    #[test]
    fn a_manifest_that_leads_elsewhere_is_not_followed() {
        let dir = record();
        let sums = BTreeMap::from([("../outside".to_owned(), sha256_hex(b"x"))]);
        std::fs::write(dir.path().join(MANIFEST), manifest_text(&sums)).unwrap();
        let damage = verify(dir.path()).unwrap();
        assert!(damage.iter().any(|d| d.file == MANIFEST && matches!(d.what, DamageKind::Unreadable(_))), "{damage:?}");
    }
}
