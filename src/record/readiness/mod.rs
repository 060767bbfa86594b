//! `readiness.toml`: the shipped list, the shop's own list, and what persons answered, read and checked.

mod edit;

pub use edit::{Change, READINESS_FILE, apply_change, readiness_text};

use crate::readiness::{Answer, AnsweredBy, Entry, Group, Item, Readiness, Tyres};
use crate::record::document::Document;
use crate::record::files_readiness::{
    AnsweredName, EntryTable, GroupName, ItemTable, ListFile, ReadinessFile, StateName, TyresTable, UnitName,
};
use crate::record::paths::{leaves_folder, lies_inside};
use crate::record::problem::Problem;
use crate::units::{kpa_from_bar, kpa_from_psi, m_from_mm, pa_from_kpa};
use std::path::Path;

/// The shipped list.
const SHIPPED_LIST: &str = include_str!("list.toml");

/// How far a tyre may be off its placard, kPa. Common practice, no source: what a shop's gauge shows reliably.
const WITHIN_KPA: f64 = 10.0;

/// Pressures that tyres of cars and vans have, kPa above the air around. Common practice, no source.
const PRESSURES_KPA: std::ops::RangeInclusive<f64> = 50.0..=1000.0;

/// Reads the readiness list of a job folder with its answers; the shipped list with nothing answered where the folder has no such file.
///
/// # Errors
/// The file, or the shop's list that it names, cannot be read or says something that cannot be meant.
pub fn read_readiness(folder: &Path) -> Result<Readiness, Problem> {
    match read_kept(folder)? {
        Some((readiness, _)) => Ok(readiness),
        None => Ok(Readiness { items: shipped_items()?, ..Readiness::default() }),
    }
}

/// The list of a job folder with the name of the shop's list that it uses; `None` where the folder has no such file.
pub(super) fn read_kept(folder: &Path) -> Result<Option<(Readiness, Option<String>)>, Problem> {
    let path = folder.join(READINESS_FILE);
    if !path.exists() {
        return Ok(None);
    }
    let document = Document::read(&path, &path.display().to_string(), "readiness")?;
    resolve(&document, folder).map(Some)
}

/// The shipped items.
///
/// # Errors
/// The shipped list is not in order, which a test rules out.
pub fn shipped_items() -> Result<Vec<Item>, Problem> {
    items(&Document::parse(SHIPPED_LIST.into(), "the shipped readiness list", "readiness-list")?, Vec::new())
}

fn resolve(document: &Document, folder: &Path) -> Result<(Readiness, Option<String>), Problem> {
    let raw: ReadinessFile = document.typed()?;
    let mut all = shipped_items()?;
    if let Some(name) = &raw.list {
        all = items(&shop_list(document, folder, name)?, all)?;
    }
    let mut entries: Vec<Entry> = Vec::new();
    for (k, written) in raw.item.iter().enumerate() {
        let path = format!("item[{k}]");
        if !all.iter().any(|i| i.id == written.id) {
            return Err(document.problem(
                &format!("{path}.id"),
                format!("there is no item \"{}\"", written.id),
                "`plumbsight ready JOB` lists the items; items of your own go into the file that `list` names.",
            ));
        }
        if entries.iter().any(|e| e.id == written.id) {
            return Err(document.problem(
                &format!("{path}.id"),
                format!("\"{}\" is answered twice", written.id),
                "Keep one [[item]] table for each item.",
            ));
        }
        entries.push(entry(document, &path, written)?);
    }
    let floor_limit = match raw.floor_limit_mm_per_m {
        Some(mm) if mm > 0.0 && mm <= 100.0 => Some(m_from_mm(mm)),
        Some(mm) => {
            return Err(document.problem(
                "floor_limit_mm_per_m",
                format!("floor_limit_mm_per_m = {mm} is no limit for a floor"),
                "Give the steepest rise that the procedure allows, in millimetres per metre.",
            ));
        }
        None => None,
    };
    let readiness = Readiness {
        items: all,
        entries,
        tyres: raw.tyres.as_ref().map(|t| tyres(document, t)).transpose()?,
        floor_limit,
        checked_by: raw.checked_by,
        checked_at: raw.checked_at,
    };
    Ok((readiness, raw.list))
}

fn shop_list(document: &Document, folder: &Path, name: &str) -> Result<Document, Problem> {
    if let Some(why) = leaves_folder(name) {
        return Err(document.problem(
            "list",
            format!("the name \"{name}\" {why}"),
            "Copy the list into the job folder, and name it relative to it: the job stays complete in itself.",
        ));
    }
    let path = folder.join(name);
    if path.exists() && !lies_inside(folder, &path) {
        return Err(document.problem(
            "list",
            format!("\"{name}\" is a link that leads out of the job folder"),
            "Copy the list itself into the job folder.",
        ));
    }
    Document::read(&path, &path.display().to_string(), "readiness-list")
}

/// The items of a list behind those already there.
fn items(document: &Document, before: Vec<Item>) -> Result<Vec<Item>, Problem> {
    let raw: ListFile = document.typed()?;
    let mut all = before;
    for (k, written) in raw.items.iter().enumerate() {
        let item = item(document, &format!("items[{k}]"), written)?;
        if all.iter().any(|i| i.id == item.id) {
            return Err(document.problem(
                &format!("items[{k}].id"),
                format!("there is an item \"{}\" already", item.id),
                "Give each item a name of its own; items of the shipped list cannot be replaced, only answered \"not applicable\".",
            ));
        }
        all.push(item);
    }
    Ok(all)
}

fn item(document: &Document, path: &str, written: &ItemTable) -> Result<Item, Problem> {
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if written.id.is_empty() || written.id.len() > 40 || !written.id.chars().all(plain) {
        return Err(document.problem(
            &format!("{path}.id"),
            format!("\"{}\" is no name for an item", written.id),
            "Use small letters, digits and dashes, at most 40: \"coolant-level\".",
        ));
    }
    if written.text.trim().is_empty() {
        return Err(document.problem(
            &format!("{path}.text"),
            "the item says nothing",
            "Write what must be so, as a sentence.",
        ));
    }
    Ok(Item {
        id: written.id.clone(),
        group: match written.group {
            GroupName::Car => Group::Car,
            GroupName::Bay => Group::Bay,
            GroupName::People => Group::People,
        },
        text: written.text.trim().to_owned(),
        answered_by: match written.answered_by {
            None => AnsweredBy::Person,
            Some(AnsweredName::TyrePressures) => AnsweredBy::Tyres,
            Some(AnsweredName::FloorLevel) => AnsweredBy::FloorLevel,
            Some(AnsweredName::NothingMoved) => AnsweredBy::NothingMoved,
        },
        note_needed: written.note.clone(),
    })
}

fn entry(document: &Document, path: &str, written: &EntryTable) -> Result<Entry, Problem> {
    let reason = written.reason.as_deref().map(str::trim).unwrap_or_default();
    let answer = match written.state {
        StateName::Open => Answer::Open,
        StateName::Done => Answer::Done,
        StateName::NotApplicable if reason.is_empty() => {
            return Err(document.problem(
                &format!("{path}.state"),
                format!("\"{}\" is said not to apply, and no reason is given", written.id),
                "Add reason = \"...\" in a few words.",
            ));
        }
        StateName::NotApplicable => Answer::NotApplicable(reason.to_owned()),
    };
    if !reason.is_empty() && !matches!(answer, Answer::NotApplicable(_)) {
        return Err(document.problem(
            &format!("{path}.reason"),
            "a reason belongs to \"not applicable\" only",
            "Use note for anything else.",
        ));
    }
    let note = written.note.as_deref().map(str::trim).filter(|n| !n.is_empty()).map(str::to_owned);
    Ok(Entry { id: written.id.clone(), answer, note })
}

fn tyres(document: &Document, table: &TyresTable) -> Result<Tyres, Problem> {
    let kpa = |value: f64| match table.unit {
        UnitName::Kpa => value,
        UnitName::Bar => kpa_from_bar(value),
        UnitName::Psi => kpa_from_psi(value),
    };
    let pa = |key: &str, value: f64| -> Result<f64, Problem> {
        let kpa = kpa(value);
        if PRESSURES_KPA.contains(&kpa) {
            return Ok(pa_from_kpa(kpa));
        }
        Err(document.problem(
            &format!("tyres.{key}"),
            format!("{key} = {value} {} is no tyre pressure", table.unit.name()),
            "Check the number and `unit` (\"kPa\", \"bar\" or \"psi\").",
        ))
    };
    let within = match table.within {
        None => pa_from_kpa(WITHIN_KPA),
        Some(value) if value > 0.0 => pa_from_kpa(kpa(value)),
        Some(value) => {
            return Err(document.problem(
                "tyres.within",
                format!("within = {value} allows nothing"),
                "Give how far each tyre may be off its placard; a number greater than 0.",
            ));
        }
    };
    Ok(Tyres {
        measured_pa: [
            pa("front_left", table.front_left)?,
            pa("front_right", table.front_right)?,
            pa("rear_left", table.rear_left)?,
            pa("rear_right", table.rear_right)?,
        ],
        placard_pa: [pa("placard_front", table.placard_front)?, pa("placard_rear", table.placard_rear)?],
        within_pa: within,
    })
}

#[cfg(test)]
mod tests;
