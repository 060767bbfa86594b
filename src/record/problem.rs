//! What is wrong with a file a person wrote, said once and in full: which file, which line, what, and what to do.

use std::fmt;

/// A fault in a job's files that stops the work.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct Problem {
    /// The file, as a person would name it.
    pub file: String,
    /// The line, counted from 1, where one line is to blame.
    pub line: Option<usize>,
    /// What is wrong, naming the key or the thing; no full stop at the end.
    pub what: String,
    /// What to do about it: one or more full sentences.
    pub remedy: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "{}, line {line}: {}. {}", self.file, self.what, self.remedy),
            None => write!(f, "{}: {}. {}", self.file, self.what, self.remedy),
        }
    }
}

impl Problem {
    /// A fault of a whole file.
    pub fn of_file(file: impl Into<String>, what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { file: file.into(), line: None, what: what.into(), remedy: remedy.into() }
    }
}
