//! The photographs with the tags that were seen in them.

use crate::paper::{Align, Frame, Ink, Look, Outline};
use crate::record::result::ResultFile;
use crate::report::evidence::{Evidence, Kept, MOST_SHOWN, Shown};
use crate::report::figures::rounded;
use crate::report::flow::{Flow, SMALL_MM};
use crate::session::SeenTag;

/// Room between photographs.
const GAP_MM: f64 = 4.0;
/// Tallest that a photograph is shown.
const TALLEST_MM: f64 = 78.0;
/// Lines of what stands under one.
const CAPTION_LINES: usize = 3;

/// Draws them, two in a row.
pub fn draw(flow: &mut Flow, evidence: &Evidence, result: &ResultFile, shown: &[Shown]) {
    if result.photographs.is_empty() {
        return;
    }
    flow.heading("Photographs", 60.0);
    let outlines = match (&evidence.kept, evidence.tags.iter().any(|t| t.corners_px.is_some())) {
        (_, true) => "Outlined: the tags as the survey saw them, with their ids; dashed: rejected by its test.",
        (Kept::Job, false) => "Tags are outlined in reports of records only.",
        (Kept::Record { .. }, false) => "The record keeps no corners of tags, so that none are outlined.",
    };
    flow.paragraph(&format!(
        "{} photographs, made smaller for this report; the record has them as they were taken. {outlines}",
        result.photographs.len()
    ));
    let width = (flow.width() - GAP_MM) / 2.0;
    let caption = SMALL_MM * 1.3 * CAPTION_LINES as f64;
    for pair in shown.chunks(2) {
        let heights = pair.iter().map(|s| box_of(s, width)[1]);
        let tall = heights.fold(0.0_f64, f64::max) + caption + 3.0;
        flow.need(tall);
        let y = flow.y;
        for (k, photo) in pair.iter().enumerate() {
            let x = flow.left() + (width + GAP_MM) * k as f64;
            one(flow, evidence, result, photo, [x, y], width);
        }
        flow.y = y + tall;
    }
    if result.photographs.len() > MOST_SHOWN {
        flow.paragraph(&format!(
            "{} more photographs are in the record and not shown here.",
            result.photographs.len() - MOST_SHOWN
        ));
    }
}

/// Width and height on the page.
fn box_of(photo: &Shown, width: f64) -> [f64; 2] {
    let [w, h] = photo.size_px.map(|v| v.max(1) as f64);
    let scale = (width / w).min(TALLEST_MM / h);
    if photo.jpeg.is_ok() { [w * scale, h * scale] } else { [width, 20.0] }
}

fn one(flow: &mut Flow, evidence: &Evidence, result: &ResultFile, photo: &Shown, at: [f64; 2], width: f64) {
    let [w, h] = box_of(photo, width);
    match &photo.jpeg {
        Ok(jpeg) => {
            flow.canvas.picture(at, [w, h], jpeg.clone());
            let scale = w / photo.size_px[0].max(1) as f64;
            for tag in evidence.tags.iter().filter(|t| t.photograph == photo.name) {
                outline(flow, tag, at, scale, photo.size_px);
            }
        }
        Err(why) => {
            flow.canvas.paint(&Outline::rectangle(at[0], at[1], w, h), Look::line(Ink::GREY, 0.25));
            let text = format!("It cannot be shown: {why}");
            flow.short([at[0] + 2.0, at[1] + 2.0], SMALL_MM, w - 4.0, 4, "Photograph", &text);
        }
    }
    let mut text = photo.name.clone();
    if let Some(part) = result.photographs.iter().find(|p| p.name == photo.name) {
        let tags: Vec<&SeenTag> = evidence.tags.iter().filter(|t| t.photograph == photo.name).collect();
        let mut bodies: Vec<&str> = tags.iter().map(|t| t.body.as_str()).collect();
        bodies.sort_unstable();
        bodies.dedup();
        text.push_str(&match (part.used, &part.reason) {
            (true, _) => format!(
                ": {} tags{}",
                part.tags.len(),
                part.rms_px.map_or(String::new(), |r| format!(", residuals {} px", rounded(r, 2)))
            ),
            (false, Some(why)) => format!(": NOT USED: {why}"),
            (false, None) => ": not used".to_owned(),
        });
        if !bodies.is_empty() {
            text.push_str(&format!(". Bodies: {}", bodies.join(", ")));
        }
    }
    let what = format!("Photograph {}", photo.name);
    flow.short([at[0], at[1] + h + 1.0], SMALL_MM, width, CAPTION_LINES, &what, &text);
}

/// One tag's outline and id. The centre of the photograph's first pixel is (0, 0), its corner half a pixel before it.
fn outline(flow: &mut Flow, tag: &SeenTag, at: [f64; 2], scale: f64, size_px: [usize; 2]) {
    let Some(corners) = tag.corners_px else { return };
    let inside = |[x, y]: &[f64; 2]| (-1.0..=size_px[0] as f64).contains(x) && (-1.0..=size_px[1] as f64).contains(y);
    if !corners.iter().all(inside) {
        return;
    }
    let points = corners.map(|[x, y]| [x + 0.5, y + 0.5]);
    let middle_x = points.iter().map(|p| p[0]).sum::<f64>() / 4.0;
    let ink = if tag.used { Ink::BLUE } else { Ink::VERMILION };
    flow.canvas.within(Frame::at(at[0], at[1], scale), |c| {
        let shape = Outline::polygon(&points);
        c.paint(&shape, Look::line(Ink::WHITE, 0.55));
        let look = Look::line(ink, 0.3);
        c.paint(&shape, if tag.used { look } else { look.dashed(0.7, 0.5) });
        let text = tag.tag.to_string();
        let em = 2.2;
        let wide = c.face.width_em(&text) * em + 0.8;
        // Above the tag, below it where that would be off the photograph; never on it.
        let [low, high] =
            points.iter().fold([f64::INFINITY, f64::NEG_INFINITY], |r, p| [r[0].min(p[1]), r[1].max(p[1])]);
        let (half, room) = (0.5 * wide / scale, 2.4 / scale);
        let x = middle_x.clamp(half, (size_px[0] as f64 - half).max(half));
        let y = if low > room + 0.4 / scale { low - room - 0.4 / scale } else { high + 0.4 / scale };
        let y = y.clamp(0.0, (size_px[1] as f64 - room).max(0.0));
        c.paint(&Outline::rectangle(x - half, y, 2.0 * half, room), Look::filled(Ink::WHITE));
        c.text([x, y + 2.0 / scale], em, Align::Centre, Ink::BLACK, &text);
    });
}
