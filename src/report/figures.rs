//! Numbers as a report writes them, and every number of a result in full.

use crate::record::result::Value;
use crate::units::inch_from_mm;
use serde_json::Value as Json;

/// Unit of lengths in the table of the six.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Lengths {
    /// Millimetres.
    #[default]
    Millimetres,
    /// Inches.
    Inches,
}

/// A number that rounds to zero is shown as zero, not as minus zero.
pub fn rounded(v: f64, digits: usize) -> String {
    let zero = v.abs() < 0.5 * 10f64.powi(-(digits as i32));
    format!("{:.digits$}", if zero { 0.0 } else { v })
}

/// The same with its sign.
pub fn signed(v: f64, digits: usize) -> String {
    let text = rounded(v, digits);
    if text.starts_with('-') || text.bytes().all(|b| matches!(b, b'0' | b'.')) { text } else { format!("+{text}") }
}

impl Lengths {
    /// Factor, digits and unit for a component whose unit in the result is `unit`.
    pub fn of(self, unit: &str) -> (fn(f64) -> f64, usize, &'static str) {
        match (unit, self) {
            ("mm", Lengths::Millimetres) => (|v| v, 1, "mm"),
            ("mm", Lengths::Inches) => (inch_from_mm, 3, "in"),
            _ => (|v| v, 3, "°"),
        }
    }
}

/// A value with its expanded uncertainty.
pub fn with_u(v: &Value, digits: usize, unit: &str) -> String {
    format!("{} {unit} (U {})", rounded(v.value, digits), rounded(v.expanded, digits))
}

/// Every number of a JSON value as `(where, numbers as written)`: the numbers of one object or list together, in the file's order, texts left out.
pub fn numbers_of(json: &Json) -> Vec<(String, String)> {
    let mut out = Vec::new();
    gather(json, "", &mut out);
    out
}

fn gather(json: &Json, path: &str, out: &mut Vec<(String, String)>) {
    let below = |name: &str| if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") };
    match json {
        Json::Object(fields) => {
            let mut own = Vec::new();
            for (name, value) in fields {
                match value {
                    Json::Number(n) => own.push(format!("{name} {n}")),
                    // The covariance and short vectors: one line for each list.
                    Json::Array(all) if !all.is_empty() && all.iter().all(Json::is_number) => {
                        own.push(format!("{name} [{}]", joined(all)));
                    }
                    _ => {}
                }
            }
            if !own.is_empty() {
                out.push((path.to_owned(), own.join("; ")));
            }
            for (name, value) in fields {
                let list = value.as_array().is_some_and(|a| !a.is_empty() && a.iter().all(Json::is_number));
                if value.is_object() || value.is_array() && !list {
                    gather(value, &below(name), out);
                }
            }
        }
        Json::Array(all) if !all.is_empty() && all.iter().all(Json::is_number) => {
            out.push((path.to_owned(), joined(all)));
        }
        Json::Array(all) => {
            // `null` among numbers: a wheel that was not measured at one position.
            let plain: Vec<String> = all.iter().filter(|v| v.is_number()).map(ToString::to_string).collect();
            if !plain.is_empty() {
                out.push((path.to_owned(), plain.join(" ")));
            }
            for (k, value) in all.iter().enumerate().filter(|(_, v)| !v.is_number()) {
                gather(value, &format!("{path}[{k}]"), out);
            }
        }
        _ => {}
    }
}

fn joined(all: &[Json]) -> String {
    all.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_is_there_once() {
        let json = serde_json::json!({"a": 1.5, "t": "7", "b": {"c": [1, 2], "d": [[3, 4], [5, 6]]}, "e": [{"f": 8}], "g": [null, 9.25]});
        let all = numbers_of(&json);
        let text: String = all.iter().map(|(path, numbers)| format!("{path}: {numbers}\n")).collect();
        for n in ["a 1.5", "c [1 2]", "3 4", "5 6", "f 8", "9.25"] {
            assert_eq!(text.matches(n).count(), 1, "{n} in {text}");
        }
        assert!(!text.contains('7'));
    }

    #[test]
    fn zero_has_no_sign() {
        assert_eq!((signed(-0.01, 1), signed(0.06, 1), signed(-0.06, 1)), ("0.0".into(), "+0.1".into(), "-0.1".into()));
        let (inches, digits, unit) = Lengths::Inches.of("mm");
        assert_eq!(format!("{} {unit}", rounded(inches(25.4), digits)), "1.000 in");
    }
}
