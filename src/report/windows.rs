//! The tolerance as a window with the stand's 95 % ellipse in it, from above and from the side.

use crate::paper::{Align, Canvas, Frame, Ink, Look, Outline};
use crate::record::result::StationPart;
use crate::report::figures::rounded;
use crate::report::page_parts::{mark, round_below};
use crate::uncertainty::ellipse_95;

/// From where a window is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum View {
    /// The page's right is the car's right, up is ahead.
    Above,
    /// The page's right is ahead, up is up.
    Side,
}

impl View {
    fn title(self) -> &'static str {
        match self {
            View::Above => "Seen from above",
            View::Side => "Seen from the car's right",
        }
    }

    /// What lies at the right and at the upper end.
    fn ends(self) -> [&'static str; 2] {
        match self {
            View::Above => ["to the car's right →", "ahead ↑"],
            View::Side => ["ahead →", "up ↑"],
        }
    }
}

/// Draws a window into a box on the page.
pub fn draw(c: &mut Canvas, station: &StationPart, view: View, at: [f64; 2], size: [f64; 2]) {
    // Indices of the six with their signs on the page.
    let axes = match view {
        View::Above => [(1, -1.0), (0, 1.0)],
        View::Side => [(0, 1.0), (2, 1.0)],
    };
    let six = station.deviations.each();
    let point = axes.map(|(k, sign)| sign * six[k].2.deviation);
    let half = axes.map(|(k, _)| six[k].2.tolerance);
    let cov = [0, 1].map(|i| [0, 1].map(|j| axes[i].1 * axes[j].1 * station.covariance_mm_deg[axes[i].0][axes[j].0]));
    let ellipse: Vec<[f64; 2]> = ellipse_95(cov).into_iter().map(|[x, y]| [point[0] + x, point[1] + y]).collect();
    let farthest = ellipse.iter().chain([&point]).flatten().fold(0.0_f64, |most, v| most.max(v.abs()));
    let widest = half.iter().flatten().fold(0.0_f64, |most, v| most.max(*v));
    let reach = (1.25 * widest).max(1.15 * farthest);
    if !(reach.is_finite() && reach > 0.0) {
        return;
    }
    c.bold([at[0], at[1] + 2.4], 2.5, Align::Left, Ink::BLACK, view.title());
    let top = at[1] + 4.0;
    let side = size[0].min(size[1] - 11.0);
    let scale = side / (2.0 * reach);
    let centre = [at[0] + size[0] / 2.0, top + side / 2.0];
    let [right, up] = view.ends();
    c.paint(&Outline::rectangle(centre[0] - side / 2.0, top, side, side), Look::line(Ink::PALE, 0.2));
    c.within(Frame::at(centre[0], centre[1], scale), |c| {
        let on = |[x, y]: [f64; 2]| [x, -y];
        let [w, h] = half.map(|t| t.unwrap_or(reach));
        let window = Outline::rectangle(-w, -h, 2.0 * w, 2.0 * h);
        c.paint(&window, Look::filled(Ink::grey(238)));
        // A side that the procedure does not ask for is open.
        let sides = [
            (half[0], [[-w, -h], [-w, h]]),
            (half[0], [[w, -h], [w, h]]),
            (half[1], [[-w, -h], [w, -h]]),
            (half[1], [[-w, h], [w, h]]),
        ];
        for (tolerance, [from, to]) in sides {
            if tolerance.is_some() {
                c.line(from, to, Ink::BLACK, 0.35);
            }
        }
        let cross = 1.2 / scale;
        c.line([-cross, 0.0], [cross, 0.0], Ink::BLACK, 0.2);
        c.line([0.0, -cross], [0.0, cross], Ink::BLACK, 0.2);
        let outline: Vec<[f64; 2]> = ellipse.iter().map(|p| on(*p)).collect();
        c.paint(&Outline::polygon(&outline), Look::line(Ink::BLACK, 0.3));
        mark(c, on(point), 1.0 / scale, station.verdict, 0.2);
    });
    let y = top + side + 3.0;
    let bar = round_below(0.4 * side / scale);
    let x = centre[0] - side / 2.0;
    c.line([x, y - 0.7], [x + bar * scale, y - 0.7], Ink::BLACK, 0.4);
    c.text([x + bar * scale + 1.0, y], 2.2, Align::Left, Ink::BLACK, &format!("{} mm", trimmed(bar)));
    c.text([x, y + 3.2], 2.2, Align::Left, Ink::GREY, &format!("{up}   {right}"));
}

fn trimmed(v: f64) -> String {
    let digits = if v >= 1.0 { 0 } else { 2 };
    rounded(v, digits)
}
