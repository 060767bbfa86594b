//! Numbers as a report writes them, and every number of a result in full.

use crate::record::result::{DeviationPart, StationPart, Value};
use crate::uncertainty::digits::{LastDigit, as_written};
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
    /// How a component is written whose unit in the result is `unit`.
    pub fn of(self, unit: &str) -> Edge {
        match (unit, self) {
            ("mm", Lengths::Millimetres) => Edge { factor: |v| v, asked: as_written, unit: " mm" },
            ("mm", Lengths::Inches) => Edge { factor: inch_from_mm, asked: |v| trimmed(v, INCH_DECIMALS), unit: " in" },
            _ => Edge { factor: |v| v, asked: as_written, unit: "°" },
        }
    }
}

/// Decimals of an inch that keep what was asked in millimetres to 0.003 mm.
const INCH_DECIMALS: usize = 4;

/// The way from a result's number to paper.
#[derive(Clone, Copy)]
pub struct Edge {
    factor: fn(f64) -> f64,
    /// Text of what a person wrote.
    asked: fn(f64) -> String,
    unit: &'static str,
}

impl Edge {
    /// What a person asked for, as it was written.
    pub fn asked(self, value: f64) -> String {
        format!("{}{}", (self.asked)((self.factor)(value)), self.unit)
    }

    /// What a person allowed, with ±.
    pub fn within(self, limit: f64) -> String {
        format!("±{}", self.asked(limit))
    }

    /// What was measured, as far as its expanded uncertainty goes.
    pub fn measured(self, value: f64, expanded: f64) -> String {
        format!("{}{}", self.last(expanded).plain((self.factor)(value)), self.unit)
    }

    /// The same with its sign.
    pub fn signed(self, value: f64, expanded: f64) -> String {
        format!("{}{}", self.last(expanded).signed((self.factor)(value)), self.unit)
    }

    /// An expanded uncertainty, with ±: two digits, rounded up.
    pub fn expanded(self, expanded: f64) -> String {
        format!("±{}{}", self.last(expanded).up((self.factor)(expanded)), self.unit)
    }

    fn last(self, expanded: f64) -> LastDigit {
        LastDigit::of((self.factor)(expanded))
    }
}

/// The numbers of one of the six as they are written: what was asked as it was written, U with two digits and rounded up, what was measured as far as U goes.
pub struct SixLine {
    /// With its unit, as all of them.
    pub required: String,
    /// What was found.
    pub measured: String,
    /// With its sign.
    pub deviation: String,
    /// With ±.
    pub expanded: String,
    /// With ±; `None` where the procedure does not ask.
    pub tolerance: Option<String>,
}

impl SixLine {
    /// Of one deviation.
    pub fn of(d: &DeviationPart, edge: Edge) -> Self {
        Self {
            required: edge.asked(d.required),
            measured: edge.measured(d.measured, d.expanded),
            deviation: edge.signed(d.deviation, d.expanded),
            expanded: edge.expanded(d.expanded),
            tolerance: d.tolerance.map(|t| edge.within(t)),
        }
    }
}

/// A number to so many decimals, without those that say nothing.
fn trimmed(v: f64, decimals: usize) -> String {
    let text = rounded(v, decimals);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A value with its expanded uncertainty, as far as that goes; `signed` puts a plus before what is not negative. `unit` comes with its space.
fn stated(v: &Value, signed: bool, unit: &str) -> String {
    let last = LastDigit::of(v.expanded);
    let value = if signed { last.signed(v.value) } else { last.plain(v.value) };
    format!("{value}{unit} (U {})", last.up(v.expanded))
}

/// A value with its expanded uncertainty.
pub fn with_u(v: &Value, unit: &str) -> String {
    stated(v, false, unit)
}

/// The same with its sign.
pub fn signed_with_u(v: &Value, unit: &str) -> String {
    stated(v, true, unit)
}

/// What yaw and sideways error mean far off, a sentence for each way a routine can use the target: set square to its face, or aimed at its centre. `telling`:
/// only what is larger than its own U.
pub fn far_off(station: &StationPart, telling: bool) -> Vec<String> {
    let mut out: Vec<String> = [true, false]
        .into_iter()
        .filter_map(|from_yaw| {
            let of = station.at_range.iter().filter(|a| a.from_yaw == from_yaw);
            let of = of.filter(|a| !telling || a.offset_m.expanded <= a.offset_m.value.abs());
            let said: Vec<String> = of
                .map(|a| {
                    let side = if a.offset_m.value >= 0.0 { "left" } else { "right" };
                    let far = with_u(&Value { value: a.offset_m.value.abs(), ..a.offset_m }, " m");
                    format!("{far} to the {side} at {} m", as_written(a.range_m))
                })
                .collect();
            let sensor = match from_yaw {
                true => "A sensor that is set square to the target's face would look too far to one side, by the yaw",
                false => "A sensor that is aimed at the target's centre would look too far to one side, by the sideways error",
            };
            (!said.is_empty()).then(|| format!("{sensor}: {}.", said.join(", ")))
        })
        .collect();
    if out.len() > 1 {
        out.push(
            "Which of the two counts, the routine decides: the carmaker's procedure says how it uses the target."
                .into(),
        );
    }
    out
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
    }

    #[test]
    fn what_was_asked_is_as_written_and_u_has_two_digits() {
        let d = DeviationPart {
            required: 1_600.000_000_000_000_2,
            measured: 1599.96,
            deviation: -0.04,
            u: 0.02,
            expanded: 0.0392,
            tolerance: Some(0.75),
            verdict: None,
            probability_in_tolerance: None,
            decidable: None,
            words: String::new(),
            remedy: None,
            shares: Vec::new(),
        };
        let line = |lengths: Lengths, unit| {
            let l = SixLine::of(&d, lengths.of(unit));
            [l.required, l.measured, l.deviation, l.expanded, l.tolerance.unwrap()].join(" | ")
        };
        assert_eq!(line(Lengths::Millimetres, "mm"), "1600 mm | 1599.960 mm | -0.040 mm | ±0.040 mm | ±0.75 mm");
        // 25.4 mm to the inch by definition.
        assert_eq!(line(Lengths::Inches, "mm"), "62.9921 in | 62.9906 in | -0.0016 in | ±0.0016 in | ±0.0295 in");
        assert_eq!(line(Lengths::Inches, "deg"), "1600° | 1599.960° | -0.040° | ±0.040° | ±0.75°");
        assert_eq!(with_u(&Value { value: 1500.04, u: 0.2, expanded: 0.392 }, " mm"), "1500.04 mm (U 0.40)");
        assert_eq!(signed_with_u(&Value { value: 0.0, u: 0.1, expanded: 0.2 }, "°"), "0.00° (U 0.20)");
    }
}
