//! Every page of every usual kit, as drawn: nothing off the page, nothing over anything else, white around every tag.

use super::*;
use crate::paper::{Item, MARGIN_MM};

/// Rounding of lengths, mm.
const SLACK: f64 = 1e-6;

fn overlap(a: [f64; 4], b: [f64; 4], slack: f64) -> bool {
    a[0] < b[2] - slack && b[0] < a[2] - slack && a[1] < b[3] - slack && b[1] < a[3] - slack
}

fn name(item: &Item) -> String {
    match item {
        Item::Text { text, .. } => format!("{text:?}"),
        Item::Picture { .. } => format!("a picture at {:.1?}", item.bounds_mm()),
        Item::Shape { .. } => format!("a shape at {:.1?}", item.bounds_mm()),
    }
}

/// What is wrong with a page.
pub(super) fn faults_of(page: &Page, face: &Typeface) -> Vec<String> {
    let [width, height] = page.size_mm;
    let mut wrong = Vec::new();
    let texts: Vec<&Item> = page.items.iter().filter(|i| matches!(i, Item::Text { .. })).collect();
    for item in &page.items {
        let [left, top, right, bottom] = item.bounds_mm();
        // A line on the margin's edge may be half as thick outside.
        let m = MARGIN_MM - 0.2;
        if left < m || top < m || right > width - m || bottom > height - m {
            wrong.push(format!("{} is in the margin: {left:.1} {top:.1} {right:.1} {bottom:.1}", name(item)));
        }
        if let Item::Text { text, em_mm, .. } = item {
            if !face.can_write(text) {
                wrong.push(format!("{text:?} has a character that the typeface lacks"));
            }
            if *em_mm < 2.2 {
                wrong.push(format!("{text:?} is too small to be read: {em_mm:.2} mm"));
            }
        }
    }
    for (k, a) in texts.iter().enumerate() {
        for b in &texts[k + 1..] {
            if overlap(a.bounds_mm(), b.bounds_mm(), 0.15) {
                wrong.push(format!("{} and {} overlap", name(a), name(b)));
            }
        }
    }
    wrong
}

fn faults_of_print(print: &PrintedPage, face: &Typeface) -> Vec<String> {
    let mut wrong = faults_of(&print.page, face);
    for (id, [left, top], side) in &print.tags {
        let quiet = quiet_mm(*side) - SLACK;
        let around = [left - quiet, top - quiet, left + side + quiet, top + side + quiet];
        let own = [*left, *top, left + side, top + side];
        for item in &print.page.items {
            let bounds = item.bounds_mm();
            let is_tag = (0..4).all(|k| (bounds[k] - own[k]).abs() < 1e-3);
            // Cut lines run along the outside of the white margin.
            let is_cut = matches!(item, Item::Shape { look, .. } if look.fill.is_none())
                && (bounds[0] < around[0] + 0.3 || bounds[2] > around[2] - 0.3)
                && (bounds[1] < around[1] + 0.3 || bounds[3] > around[3] - 0.3);
            if !is_tag && !is_cut && overlap(bounds, around, 0.2) {
                wrong.push(format!("{} is in the white margin of tag {id}", name(item)));
            }
        }
        if !print.page.items.iter().any(|i| (0..4).all(|k| (i.bounds_mm()[k] - own[k]).abs() < 1e-3)) {
            wrong.push(format!("tag {id} is not where it is said to be"));
        }
    }
    wrong
}

#[test]
fn nothing_is_clipped_or_overlaps_on_any_sheet() {
    let face = Typeface::shipped().unwrap();
    let mut wrong = Vec::new();
    let mut pages = 0;
    for paper in Paper::ALL {
        let mut kit = SheetKit::usual(paper);
        for largest in [false, true] {
            if largest {
                for group in &mut kit.groups {
                    group.side_mm = largest_side_mm(group.sheet_use, paper);
                }
            }
            let all: Vec<PrintedPage> = sheets(&face, &kit, paper).into_iter().chain(board(&face, &kit)).collect();
            for print in &all {
                pages += 1;
                for fault in faults_of_print(print, &face) {
                    wrong.push(format!("{} {:?}: {fault}", paper.name(), print.tags.first().map(|t| t.0)));
                }
            }
        }
    }
    assert!(pages > 200, "{pages}");
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn nothing_is_clipped_or_overlaps_in_plan_and_guide() {
    let face = Typeface::shipped().unwrap();
    let mut wrong = Vec::new();
    for paper in Paper::ALL {
        let kit = SheetKit::usual(paper);
        let mut crowded = kit.clone();
        crowded.groups.retain(|g| g.sheet_use != SheetUse::Floor);
        crowded.groups.push(SheetGroup { ids: (100..150).collect(), ..kit.groups[kit.groups.len() - 1].clone() });
        let plans = [&kit, &crowded].map(|kit| plan::draw(&face, kit, paper));
        for (k, page) in plans.into_iter().chain(guide::draw(&face, paper)).enumerate() {
            wrong.extend(faults_of(&page, &face).into_iter().map(|f| format!("{} page {k}: {f}", paper.name())));
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn bars_are_long_enough_to_be_measured() {
    // 150 mm and more, as scale errors of half a percent are then 0.75 mm (common practice, no source).
    for paper in Paper::ALL {
        assert!(bars_mm(paper).iter().all(|bar| *bar >= 150.0), "{paper:?}");
    }
}
