//! What the TOML reader says, in words for people who write such a file twice a year.

use crate::units::deg_from_rad;

/// Alterations (a sign more, less, another, two exchanged) up to which a word counts as mistyped.
const MISTYPED: usize = 2;

/// Of a line, a word or a sentence of the reader's a message shows so many signs.
const SHOWN: usize = 200;

/// Endings of keys in other units, the ending that is meant, and what to do with the number.
const OTHER_UNITS: [(&str, &str, Times); 8] = [
    ("_cm", "_mm", Times::Words("ten times the number")),
    ("_m", "_mm", Times::Words("a thousand times the number")),
    ("_in", "_mm", Times::Words("25.4 times the number")),
    ("_inch", "_mm", Times::Words("25.4 times the number")),
    ("_inches", "_mm", Times::Words("25.4 times the number")),
    ("_rad", "_deg", Times::DegreesOf(1.0)),
    ("_mrad", "_deg", Times::DegreesOf(1e-3)),
    ("_degrees", "_deg", Times::Words("the same number")),
];

/// What to do with a number in another unit.
#[derive(Clone, Copy)]
enum Times {
    Words(&'static str),
    /// It counts units of so many radians.
    DegreesOf(f64),
}

impl std::fmt::Display for Times {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        match self {
            Self::Words(words) => f.write_str(words),
            Self::DegreesOf(rad) => {
                let deg = deg_from_rad(*rad);
                // Seven digits that count.
                let digits = (6.0 - deg.log10().floor()).max(0.0) as usize;
                write!(f, "{deg:.digits$} times the number")
            }
        }
    }
}

/// Endings that a key without its unit may lack.
const UNITS: [&str; 4] = ["_mm", "_deg", "_px", "_mm_per_m"];

/// Quotes that text programs put in place of straight ones.
const CURLY: [char; 8] = ['“', '”', '„', '‟', '‘', '’', '«', '»'];

/// What and remedy for a line that is no TOML; `message` is the reader's own.
pub(super) fn syntax(written: &str, message: &str) -> (String, String) {
    let line = if written.contains('"') { written } else { written.split('#').next().unwrap_or("") }.trim();
    let shown = short(line);
    let value = line.split_once('=').map(|(key, value)| (key.trim(), value.split('#').next().unwrap_or("").trim()));
    // Such a line is right in itself.
    if message.contains("duplicate key") {
        return (
            format!("`{}` is written twice", short(value.map_or(line, |(key, _)| key))),
            "Keep one of the two lines; a second thing of a kind gets a [[table]] of its own.".into(),
        );
    }
    if has_decimal_comma(value.map_or("", |(_, value)| value)) {
        return (
            format!("`{shown}` has a decimal comma"),
            "Write numbers with a decimal point: 12.5, not 12,5.".into(),
        );
    }
    if let Some((key, range)) =
        value.filter(|(_, v)| v.split_once('-').is_some_and(|(a, b)| is_digits(a) && is_digits(b)))
    {
        return (
            format!("`{shown}` is a range without quotes"),
            format!("Write {} = \"{}\".", short(key), short(range)),
        );
    }
    if begins_curly(line.split_once('=').map_or(line, |(_, value)| value)) {
        return (
            format!("`{shown}` has curly quotes, as text programs write them"),
            "Write straight quotes (\") around a text, and edit the file with a plain text editor.".into(),
        );
    }
    if line.contains('\\') && (message.contains("escape") || message.contains("unicode")) {
        return (
            format!("`{shown}` has a backslash"),
            "Write / between folder and file: \"photos/001.jpg\" instead of \"photos\\001.jpg\".".into(),
        );
    }
    if let Some((number, unit)) = value.and_then(|(_, value)| with_unit(value)) {
        let (number, unit) = (short(number), short(unit));
        return (
            format!("`{shown}` has a unit behind the number"),
            format!(
                "Write the number alone, without \"{unit}\": {number}. The key's name says in which unit it counts."
            ),
        );
    }
    match value {
        Some((key, "")) => (format!("`{}` has no value", short(key)), "Write the value behind the `=`, or take the line out.".into()),
        Some((key, word)) if is_words(word) => {
            let (key, word) = (short(key), short(word));
            (format!("`{key}` is a text without quotes"), format!("Write {key} = \"{word}\"."))
        }
        None if line.split_once(':').is_some_and(|(key, _)| is_key(key.trim())) => (
            format!("`{shown}` has a colon between key and value"),
            "Write `=` in its place: key = value.".into(),
        ),
        _ => (
            format!("`{shown}` cannot be read: {}", short(message)),
            "Correct this line or the one before it: `=` stands between key and value, a text and a list are closed, a key is written once."
                .into(),
        ),
    }
}

/// What and remedy for a value or key that does not fit the file; `written` is its line, `message` the reader's own.
pub(super) fn misfit(written: &str, message: &str) -> (String, String) {
    let named: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    let key = written.split_once('=').map(|(key, _)| key.trim()).filter(|key| is_key(key));
    match (message, named.as_slice()) {
        (_, [unknown, known @ ..]) if message.starts_with("unknown field") => unknown_key(unknown, known),
        (_, [missing, ..]) if message.starts_with("missing field") => {
            (format!("missing key `{missing}`"), "Add this key; the README lists every key of this file.".into())
        }
        (_, [unknown, known @ ..]) if message.starts_with("unknown variant") && !known.is_empty() => {
            let of = key.map_or("here".to_owned(), |key| format!("for `{key}`"));
            let list: Vec<String> = known.iter().map(|word| format!("\"{word}\"")).collect();
            let remedy = match nearest(unknown, known) {
                Some(word) => format!("Did you mean \"{word}\"? Possible are: {}.", list.join(", ")),
                None => format!("Write one of: {}.", list.join(", ")),
            };
            (format!("\"{}\" is no word {of}", short(unknown)), remedy)
        }
        _ => {
            let what = kind(message).unwrap_or_else(|| message.replace("floating point number", "number"));
            let what = match key {
                Some(key) => format!("`{key}`: {what}"),
                None => what,
            };
            (
                short(&what),
                "Correct this value; the README lists the keys of this file with their kinds and units.".into(),
            )
        }
    }
}

fn unknown_key(unknown: &str, known: &[&str]) -> (String, String) {
    let what = format!("unknown key `{}`", short(unknown));
    for (other, meant, times) in OTHER_UNITS {
        let right = unknown.strip_suffix(other).map(|stem| format!("{stem}{meant}"));
        if let Some(right) = right.filter(|right| known.contains(&right.as_str())) {
            let unit = if meant == "_mm" { "Lengths are in millimetres" } else { "Angles are in degrees" };
            return (what, format!("{unit}: write `{right}`, with {times}."));
        }
    }
    let with_unit = UNITS.iter().map(|unit| format!("{unknown}{unit}")).find(|key| known.contains(&key.as_str()));
    let remedy = match with_unit.or(nearest(unknown, known)) {
        Some(key) => format!("Did you mean `{key}`? The README lists every key of this file."),
        None if known.is_empty() => "Remove it: this table has no keys.".into(),
        None => {
            let list: Vec<String> = known.iter().map(|key| format!("`{key}`")).collect();
            format!("Remove or correct it. The keys here are {}; the README says what each means.", list.join(", "))
        }
    };
    (what, remedy)
}

/// A value of another kind than is needed, in words.
fn kind(message: &str) -> Option<String> {
    let (got, wanted) = message
        .strip_prefix("invalid type: ")
        .or(message.strip_prefix("invalid value: "))?
        .split_once(", expected ")?;
    let inner = |word: &str| got.strip_prefix(word).map(|rest| rest.trim_matches(['`', ' ']).to_owned());
    let is = if let Some(text) = inner("string ") {
        format!("the text {text} stands there")
    } else if let Some(number) = inner("integer ").or(inner("floating point ")).or(inner("float ")) {
        format!("{number} stands there")
    } else if let Some(word) = inner("boolean ") {
        format!("{word} stands there")
    } else {
        match got {
            "map" => "a table stands there".to_owned(),
            "sequence" => "a list stands there".to_owned(),
            other => format!("{other} stands there"),
        }
    };
    let needed = match wanted {
        "a floating point number" | "f64" => "a number",
        "a string" | "a borrowed string" => "a text in quotes",
        "a boolean" => "true or false",
        "a sequence" => "a list in [ ]",
        "i64" | "an integer" => "a whole number",
        "usize" | "u16" | "u32" | "u64" => "a whole number, not negative",
        "a map" => "a table",
        w if w.starts_with("struct ") => "a table",
        other => other,
    };
    Some(format!("{is}, and {needed} is needed"))
}

/// A text as far as a message shows it: what was pasted by mistake can have any length.
fn short(text: &str) -> String {
    let shown = text.char_indices().nth(SHOWN).map_or(text, |(end, _)| &text[..end]);
    let more = if shown.len() < text.len() { "..." } else { "" };
    format!("{}{more}", shown.replace(char::is_control, " "))
}

/// The known word that is most like it, where it is like enough to be meant. Capitals, blanks and low lines count for nothing.
fn nearest(unknown: &str, known: &[&str]) -> Option<String> {
    if unknown.len() > SHOWN {
        return None;
    }
    let plain = |word: &str| word.to_lowercase().replace([' ', '_'], "-");
    let typed = plain(unknown);
    let far = |word: &&&str| alterations(&typed, &plain(word));
    let best = known.iter().min_by_key(far)?;
    let enough = far(&best) <= MISTYPED && 2 * far(&best) < best.chars().count().max(2);
    enough.then(|| (*best).to_owned())
}

/// Signs added, left out, replaced, or exchanged with their neighbour, at least, to make one word of the other (optimal string alignment).
fn alterations(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut rows: Vec<Vec<usize>> = vec![(0..=b.len()).collect()];
    for i in 1..=a.len() {
        let mut row = vec![i];
        for j in 1..=b.len() {
            let other = usize::from(a[i - 1] != b[j - 1]);
            let mut least = (rows[i - 1][j] + 1).min(row[j - 1] + 1).min(rows[i - 1][j - 1] + other);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                least = least.min(rows[i - 2][j - 2] + 1);
            }
            row.push(least);
        }
        rows.push(row);
    }
    rows[a.len()][b.len()]
}

/// True for a bare value such as `12,5` (not a list, not a text).
fn has_decimal_comma(value: &str) -> bool {
    match value.split_once(',') {
        Some((a, b)) => {
            // With points between the thousands, too.
            let whole = a.trim_start_matches(['-', '+']).replace('.', "");
            is_digits(&whole) && is_digits(b)
        }
        None => false,
    }
}

fn is_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|c| c.is_ascii_digit())
}

/// True where a value, or one in a list, begins with a curly quote: within a text and in a comment they are as good as any other sign.
fn begins_curly(value: &str) -> bool {
    let mut may_begin = true;
    let mut within: Option<char> = None;
    for c in value.chars() {
        match within {
            Some(quote) => {
                if c == quote {
                    within = None;
                }
                continue;
            }
            None if c == '#' => return false,
            None if may_begin && CURLY.contains(&c) => return true,
            None if c == '"' || c == '\'' => within = Some(c),
            None => {}
        }
        may_begin = c == '[' || c == ',' || c == '{' || c == '=' || (may_begin && c.is_whitespace());
    }
    false
}

/// Number and unit of a value such as `1000 mm`, `0.5°`.
fn with_unit(value: &str) -> Option<(&str, &str)> {
    let end = value.find(|c: char| !(c.is_ascii_digit() || "+-.".contains(c)))?;
    let (number, unit) = (&value[..end], value[end..].trim());
    let is_unit = !unit.is_empty() && unit.chars().all(|c| c.is_alphabetic() || "°%\"'/″′".contains(c));
    (number.parse::<f64>().is_ok() && is_unit).then_some((number, unit))
}

/// True for a text that somebody forgot to put in quotes.
fn is_words(value: &str) -> bool {
    !["true", "false", "nan", "inf"].contains(&value)
        && value.starts_with(|c: char| c.is_alphabetic())
        && !value.contains(['"', '\'', '[', ']', '{', '}', '='])
}

fn is_key(key: &str) -> bool {
    !key.is_empty() && key.chars().all(|c| c.is_ascii_alphanumeric() || "_-.".contains(c))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_that_are_no_toml_are_named_by_what_was_meant() {
        for (line, what, remedy) in [
            ("side_mm = 12,5 # by rule", "decimal comma", "12.5"),
            ("wheelbase_mm = 2.650,0", "decimal comma", "12.5"),
            ("ids = 100-113", "a range without quotes", "ids = \"100-113\""),
            ("height_mm = 1000 mm", "unit behind the number", "without \"mm\": 1000."),
            ("yaw_deg = -0.5°", "unit behind the number", "without \"°\": -0.5."),
            ("name = “stand”", "curly quotes", "straight quotes"),
            ("at = [\"a\", ‘b’]", "curly quotes", "straight quotes"),
            ("{ id = 1, name = „b“ }", "curly quotes", "straight quotes"),
            // Within a text and in a comment they are signs like others.
            ("title = \"Bob’s car", "cannot be read: why", "closed"),
            ("a = [1, 2 # “both”", "cannot be read: why", "closed"),
            ("stays = true", "cannot be read: why", "closed"),
            ("stays = false # see [a]", "cannot be read: why", "closed"),
            ("name = stand", "`name` is a text without quotes", "name = \"stand\""),
            ("name =", "`name` has no value", "behind the `=`"),
            ("distance_mm: 1600", "a colon", "`=`"),
            ("a = [1, 2", "cannot be read: why", "closed"),
        ] {
            let (said, does) = syntax(line, "why");
            assert!(said.contains(what) && does.contains(remedy), "{line}: {said}. {does}");
        }
        let long = "x".repeat(100_000);
        for (what, remedy) in [
            syntax(&format!("name = {long}"), &long),
            misfit(&format!("{long} = 1"), &format!("unknown field `{long}`, expected `at`")),
        ] {
            assert!(what.len() + remedy.len() < 1000, "{what}. {remedy}");
        }
        for (key, line) in [
            ("side_mm", "side_mm = 2"),
            ("stays", "stays = true"),
            ("title", "title = \"Bob’s car\""),
            ("name", "name = \"a\" # 12,5"),
        ] {
            assert!(syntax(line, "duplicate key").0 == format!("`{key}` is written twice"), "{line}");
        }
    }

    #[test]
    fn mistyped_keys_and_words_are_known_again() {
        let keys = "unknown field `KEY`, expected one of `run_out_deg`, `distance_mm`, `hub_mm`, `at`";
        for (key, remedy) in [
            ("run_ouut_deg", "Did you mean `run_out_deg`?"),
            ("run_out_dge", "Did you mean `run_out_deg`?"),
            ("Distance_mm", "Did you mean `distance_mm`?"),
            ("distance", "Did you mean `distance_mm`?"),
            ("distance_cm", "write `distance_mm`, with ten times the number"),
            ("distance_m", "write `distance_mm`, with a thousand times the number"),
            ("distance_in", "write `distance_mm`, with 25.4 times the number"),
            ("run_out_rad", "write `run_out_deg`, with 57.29578 times the number"),
            ("run_out_mrad", "write `run_out_deg`, with 0.05729578 times the number"),
            ("of", "The keys here are `run_out_deg`, "),
            ("tolerance", "The keys here are `run_out_deg`, "),
        ] {
            let (what, said) = misfit(&format!("{key} = 1"), &keys.replace("KEY", key));
            assert!(what == format!("unknown key `{key}`") && said.contains(remedy), "{what}. {said}");
        }
        let words = "unknown variant `WORD`, expected one of `rear-left`, `rear-right`, `front-left`";
        for (word, remedy) in [
            ("rear left", "\"rear-left\"?"),
            ("Rear_Rigth", "\"rear-right\"?"),
            ("left", "Write one of: \"rear-left\", "),
        ] {
            let (what, said) = misfit("at = \"x\"", &words.replace("WORD", word));
            assert!(what == format!("\"{word}\" is no word for `at`") && said.contains(remedy), "{what}. {said}");
        }
        let (what, _) = misfit("side_mm = true", "invalid type: boolean `true`, expected a floating point number");
        assert_eq!(what, "`side_mm`: true stands there, and a number is needed");
    }

    /// Distances as in the literature: kitten and sitting are 3 apart (Levenshtein's own kind of example, from memory); CA and ABC 3 in this alignment.
    #[test]
    fn alterations_are_counted() {
        for (a, b, n) in [("kitten", "sitting", 3), ("ca", "abc", 3), ("", "abc", 3), ("ab", "ba", 1), ("a", "a", 0)] {
            assert_eq!((alterations(a, b), alterations(b, a)), (n, n), "{a} {b}");
        }
    }
}
