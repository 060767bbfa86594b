//! File names in a job: always relative to the job folder, never outside it, `*` and `?` allowed for photographs.

use std::path::{Component, Path, PathBuf};

/// Why a name cannot be used, in words; `None` where it stays inside the folder as written.
pub(crate) fn leaves_folder(written: &str) -> Option<&'static str> {
    if written.trim().is_empty() {
        return Some("is empty");
    }
    // A colon or a backslash makes a name absolute on some systems: refused everywhere, so that a job reads the same on each.
    if written.contains('\\') || written.chars().nth(1) == Some(':') {
        return Some("has a backslash or a drive letter (between folders stands /)");
    }
    // "photos\new.jpg" in quotes is a line break to TOML.
    if written.contains(char::is_control) {
        return Some("has a sign that no file name has, as \\n and \\t in quotes become (between folders stands /)");
    }
    for part in Path::new(written).components() {
        match part {
            Component::ParentDir => return Some("leads out of the job folder (..)"),
            Component::RootDir | Component::Prefix(_) => return Some("is not relative to the job folder"),
            Component::CurDir | Component::Normal(_) => {}
        }
    }
    None
}

/// True where the file, links followed, lies inside the folder.
pub(crate) fn lies_inside(folder: &Path, file: &Path) -> bool {
    match (folder.canonicalize(), file.canonicalize()) {
        (Ok(folder), Ok(file)) => file.starts_with(folder),
        _ => false,
    }
}

/// The name of a file beside a missing one that is it under another name: with other capitals, or with the ending `.txt` that an editor hung on.
pub(crate) fn alike(missing: &Path) -> Option<String> {
    let exactly = missing.file_name()?.to_string_lossy().into_owned();
    let wanted = exactly.to_lowercase();
    let is = |name: &String| {
        let small = name.to_lowercase();
        // The very same name is there and leads nowhere: a link whose goal is gone.
        *name != exactly && (small == wanted || small.strip_suffix(".txt") == Some(&wanted))
    };
    let files = std::fs::read_dir(folder_of(missing)).ok()?.flatten().filter(|entry| entry.path().is_file());
    files.map(|entry| entry.file_name().to_string_lossy().into_owned()).filter(is).min()
}

/// True where the name holds a wildcard.
pub(crate) fn has_wildcard(written: &str) -> bool {
    written.contains(['*', '?'])
}

/// All files inside `folder` that match a pattern such as `photos/*.jpg`, as names relative to the folder, sorted.
///
/// `*` stands for any run of characters within one name, `?` for one character; neither crosses a `/`.
pub(crate) fn matching(folder: &Path, pattern: &str) -> Vec<PathBuf> {
    let mut found = vec![PathBuf::new()];
    for part in Path::new(pattern).components() {
        let Component::Normal(part) = part else { continue };
        let part = part.to_string_lossy();
        let mut next = Vec::new();
        for base in &found {
            if !has_wildcard(&part) {
                next.push(base.join(&*part));
                continue;
            }
            let Ok(entries) = std::fs::read_dir(folder.join(base)) else { continue };
            for entry in entries.flatten() {
                let name = entry.file_name().to_string_lossy().into_owned();
                if !name.starts_with('.') && wildcard_matches(&part, &name) {
                    next.push(base.join(name));
                }
            }
        }
        found = next;
    }
    found.retain(|p| folder.join(p).is_file());
    found.sort();
    found
}

/// The folder that a file lies in: `.` of a bare name.
pub fn folder_of(file: &Path) -> &Path {
    match file.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// A sentence on the files that lie where a pattern finds none (a phone's HEIC, say), after a blank; empty where there are none.
pub(crate) fn others(folder: &Path, pattern: &str) -> String {
    let all = Path::new(pattern).with_file_name("*");
    let found = matching(folder, &all.to_string_lossy());
    match found.as_slice() {
        [] => String::new(),
        [one] => format!(" There is {}; only JPEG and PNG are read.", one.display()),
        [first, ..] => {
            format!(" There are {} files, {} first; only JPEG and PNG are read.", found.len(), first.display())
        }
    }
}

/// Matches one name against one pattern with `*` and `?`; large and small letters are the same, since cameras write .JPG.
fn wildcard_matches(pattern: &str, name: &str) -> bool {
    let (p, n): (Vec<char>, Vec<char>) = {
        let small = |text: &str| text.chars().flat_map(char::to_lowercase).collect();
        (small(pattern), small(name))
    };
    let (mut i, mut k) = (0, 0);
    let mut star: Option<(usize, usize)> = None;
    while k < n.len() {
        if i < p.len() && p[i] == '*' {
            star = Some((i, k));
            i += 1;
        } else if i < p.len() && (p[i] == '?' || p[i] == n[k]) {
            i += 1;
            k += 1;
        } else if let Some((at, from)) = star {
            // Let the last star swallow one character more and try again.
            star = Some((at, from + 1));
            i = at + 1;
            k = from + 1;
        } else {
            return false;
        }
    }
    p[i..].iter().all(|&c| c == '*')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wildcards() {
        for (pattern, name, matches) in [
            ("*.jpg", "001.jpg", true),
            ("*.jpg", "IMG_001.JPG", true),
            ("*.jpg", "001.jpeg", false),
            ("0?1.*", "001.jpg", true),
            ("0?1.*", "0011.jpg", false),
            ("a*b*c", "aXXbYYbc", true),
            ("a*b*c", "aXXbYYb", false),
            ("*", "", true),
            ("?", "", false),
        ] {
            assert_eq!(wildcard_matches(pattern, name), matches, "{pattern} {name}");
        }
    }

    #[test]
    fn names_that_leave_the_folder() {
        for bad in ["../x.toml", "/etc/x", "a/../../b", "C:\\x", "", "  "] {
            assert!(leaves_folder(bad).is_some(), "{bad}");
        }
        for good in ["x.toml", "./x.toml", "photos/*.jpg"] {
            assert_eq!(leaves_folder(good), None, "{good}");
        }
    }

    #[test]
    fn matching_finds_files_in_order_and_follows_no_hidden_ones() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::create_dir_all(dir.path().join("photos/b.jpg")).unwrap();
        for name in ["photos/2.jpg", "photos/1.jpg", "photos/.3.jpg", "photos/4.png"] {
            std::fs::write(dir.path().join(name), "x").unwrap();
        }
        let found = matching(dir.path(), "photos/*.jpg");
        assert_eq!(found, [PathBuf::from("photos/1.jpg"), PathBuf::from("photos/2.jpg")]);
        assert_eq!(
            others(dir.path(), "photos/*.heic"),
            " There are 3 files, photos/1.jpg first; only JPEG and PNG are read."
        );
        assert_eq!((others(dir.path(), "none/*.jpg"), others(dir.path(), "*.jpg")), (String::new(), String::new()));
        assert!(lies_inside(dir.path(), &dir.path().join("photos/1.jpg")));
        assert!(!lies_inside(&dir.path().join("photos"), dir.path()));
    }
}
