//! Reading a result back.

use crate::record::problem::Problem;
use crate::record::result::{RESULT_FORMAT, ResultFile};
use std::path::Path;

/// Reads a `result.json`.
///
/// # Errors
/// It is not there, not a result of this program, or of a version that this program does not know.
pub fn read_result(path: &Path) -> Result<ResultFile, Problem> {
    let name = path.display().to_string();
    let text = crate::capture::read_text(path, crate::limits::LARGEST_RESULT_BYTES)
        .map_err(|e| Problem::of_file(&name, e.to_string(), "`plumbsight check JOB` writes it."))?;
    let remedy = "Make it again: `plumbsight check JOB`.";
    let value: serde_json::Value = serde_json::from_str(&text).map_err(|e| Problem {
        file: name.clone(),
        line: Some(e.line()).filter(|line| *line > 0),
        what: format!("it is not JSON ({e})"),
        remedy: remedy.into(),
    })?;
    match value.get("format").and_then(|f| f.as_str()) {
        Some(RESULT_FORMAT) => {}
        Some(other) => {
            return Err(Problem::of_file(&name, format!("\"{other}\" is not the format of a result"), remedy));
        }
        None => return Err(Problem::of_file(&name, "the name `format` is missing, so it is no result", remedy)),
    }
    serde_json::from_value(value)
        .map_err(|e| Problem::of_file(&name, format!("it is not a complete result of this version ({e})"), remedy))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_result_is_said_to_be_none() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("result.json");
        let say = |text: &str, says: &str| {
            std::fs::write(&path, text).unwrap();
            let problem = read_result(&path).unwrap_err();
            assert!(problem.to_string().contains(says), "{problem}");
        };
        say("{", "not JSON");
        say("{}", "`format` is missing");
        say("{\"format\": \"plumbsight/survey/1\"}", "not the format of a result");
        say("{\"format\": \"plumbsight/result/1\"}", "not a complete result");
        assert!(read_result(&dir.path().join("none.json")).unwrap_err().remedy.contains("check"));
    }
}
