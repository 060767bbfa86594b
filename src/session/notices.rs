//! Notices that say the same of many things become one: thirty times three lines would push the verdict off the screen.

use crate::record::Notice;

/// So many that say the same are put together.
const MANY: usize = 3;

/// Names, or runs of names, that one notice lists; `photographs` in the result names all.
const MOST_NAMES: usize = 12;

/// The same notices, those of one text put together under all their names, in the place of the first.
pub(super) fn together(notices: Vec<Notice>) -> Vec<Notice> {
    let mut groups: Vec<(String, Vec<String>)> = Vec::new();
    for Notice { about, text } in notices {
        match groups.iter_mut().find(|(known, _)| *known == text) {
            Some((_, names)) if !names.contains(&about) => names.push(about),
            Some(_) => {}
            None => groups.push((text, vec![about])),
        }
    }
    let mut out = Vec::new();
    for (text, names) in groups {
        if names.len() < MANY {
            out.extend(names.into_iter().map(|about| Notice { about, text: text.clone() }));
        } else {
            out.push(Notice { about: named(&names), text });
        }
    }
    out
}

/// Names in a row, how many they are where that is not seen at once: `photos/001.jpg to photos/030.jpg (30)`.
fn named(names: &[String]) -> String {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for k in 0..names.len() {
        match runs.last_mut() {
            Some((_, last)) if follows(&names[*last], &names[k]) => *last = k,
            _ => runs.push((k, k)),
        }
    }
    let mut pieces: Vec<String> = Vec::new();
    for (first, last) in runs {
        if last - first >= 2 {
            pieces.push(format!("{} to {}", names[first], names[last]));
        } else {
            pieces.extend(names[first..=last].iter().cloned());
        }
    }
    let left = pieces.len().saturating_sub(MOST_NAMES);
    pieces.truncate(MOST_NAMES);
    let more = if left > 0 { ", ..." } else { "" };
    format!("{}{more} ({})", pieces.join(", "), names.len())
}

/// True where two names differ only in their last number, by one.
fn follows(a: &str, b: &str) -> bool {
    let number = |name: &str| -> Option<(String, u64, String)> {
        let end = name.rfind(|c: char| c.is_ascii_digit())? + 1;
        let start = name[..end]
            .rfind(|c: char| !c.is_ascii_digit())
            .map_or(0, |k| k + name[k..].chars().next().map_or(1, char::len_utf8));
        Some((name[..start].to_owned(), name[start..end].parse().ok()?, name[end..].to_owned()))
    };
    match (number(a), number(b)) {
        (Some((head, n, tail)), Some((other_head, m, other_tail))) => {
            head == other_head && tail == other_tail && n.checked_add(1) == Some(m)
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_of_many_is_said_once() {
        let of = |about: &str, text: &str| Notice { about: about.into(), text: text.into() };
        let mut all: Vec<Notice> = (1..=30).map(|k| of(&format!("photos/{k:03}.jpg"), "Not used: turned.")).collect();
        all.insert(4, of("floor 103", "Not measured: nothing shows it."));
        all.insert(9, of("floor 104", "Not measured: nothing shows it."));
        let out = together(all);
        let said: Vec<String> = out.iter().map(|n| format!("{}: {}", n.about, n.text)).collect();
        assert_eq!(
            said,
            [
                "photos/001.jpg to photos/030.jpg (30): Not used: turned.",
                "floor 103: Not measured: nothing shows it.",
                "floor 104: Not measured: nothing shows it."
            ]
        );
        assert_eq!(together(out.clone()), out);
    }

    #[test]
    fn names_in_a_row_are_a_run_and_others_stand_alone() {
        let of = |names: &[&str]| named(&names.iter().map(|n| (*n).to_owned()).collect::<Vec<_>>());
        assert_eq!(of(&["é9.jpg", "é10.jpg", "é11.jpg", "b.jpg", "é12.jpg"]), "é9.jpg to é11.jpg, b.jpg, é12.jpg (5)");
        assert_eq!(of(&["1", "2", "7", "99999999999999999999999"]), "1, 2, 7, 99999999999999999999999 (4)");
        let many: Vec<String> = (0..40).map(|k| format!("p{}", 3 * k)).collect();
        let said = named(&many);
        assert!(said.ends_with("p33, ... (40)") && said.matches('p').count() == MOST_NAMES, "{said}");
    }
}
