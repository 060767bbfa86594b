//! A drawing of a lens: how far the distortion moves points of the picture, how well rays are known, and what the residuals show.

use crate::calibrate::quality::{RayQuality, Region};
use crate::camera::Lens;
use nalgebra::Vector2;
use std::fmt::Write;

/// What is drawn.
#[derive(Clone, Debug)]
pub struct LensDrawing<'a> {
    /// What stands above.
    pub title: &'a str,
    /// The lens.
    pub lens: &'a Lens,
    /// The residual map; empty where there is none.
    pub regions: &'a [Region],
    /// How well rays are known; empty where the profile states no uncertainty.
    pub rays: &'a [RayQuality],
}

/// Width of each drawing, in the units of the page.
const WIDTH: f64 = 640.0;

/// One SVG page: distortion on top, residuals and rays below.
pub fn svg(drawing: &LensDrawing) -> String {
    let lens = drawing.lens;
    let scale = WIDTH / lens.width as f64;
    let high = lens.height as f64 * scale;
    let page = 2.0 * high + 150.0;
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"-20 -20 {} {}\" font-family=\"sans-serif\" font-size=\"13\">\n\
         <rect x=\"-20\" y=\"-20\" width=\"100%\" height=\"100%\" fill=\"white\"/>\n<text x=\"0\" y=\"0\" font-size=\"16\">{}</text>\n",
        WIDTH + 40.0,
        page + 20.0,
        escaped(drawing.title)
    );
    let _ = writeln!(out, "<g transform=\"translate(0 40)\">");
    distortion(&mut out, lens, scale);
    let _ = writeln!(out, "</g>\n<g transform=\"translate(0 {})\">", high + 100.0);
    residuals(&mut out, drawing, scale);
    let _ = writeln!(out, "</g>\n</svg>");
    out
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

fn frame(out: &mut String, lens: &Lens, scale: f64, caption: &str) {
    let _ = writeln!(
        out,
        "<text x=\"0\" y=\"-6\">{}</text>\n<rect x=\"0\" y=\"0\" width=\"{:.1}\" height=\"{:.1}\" fill=\"none\" stroke=\"black\"/>",
        escaped(caption),
        lens.width as f64 * scale,
        lens.height as f64 * scale
    );
}

fn arrow(out: &mut String, from: &Vector2<f64>, by: &Vector2<f64>, colour: &str) {
    let to = from + by;
    let _ = writeln!(
        out,
        "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"{colour}\" stroke-width=\"1.5\"/><circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"2\" fill=\"{colour}\"/>",
        from.x, from.y, to.x, to.y, to.x, to.y
    );
}

fn distortion(out: &mut String, lens: &Lens, scale: f64) {
    let straight = Lens { k1: 0.0, k2: 0.0, p1: 0.0, p2: 0.0, k3: 0.0, ..*lens };
    let mut most = 0.0f64;
    let mut arrows = String::new();
    for j in 0..=8 {
        for i in 0..=12 {
            let seen = Vector2::new(
                f64::from(i) / 12.0 * (lens.width as f64 - 1.0),
                f64::from(j) / 8.0 * (lens.height as f64 - 1.0),
            );
            let Some(n) = lens.normalized_from_pixel(&seen) else { continue };
            let by = seen - straight.pixel_from_normalized(&n);
            most = most.max(by.norm());
            arrow(&mut arrows, &((seen - by) * scale), &(by * scale), "#0072B2");
        }
    }
    frame(
        out,
        lens,
        scale,
        &format!(
            "Distortion: from where a pinhole sees a point to where this lens sees it, true to scale; at most {most:.1} px"
        ),
    );
    out.push_str(&arrows);
}

fn residuals(out: &mut String, drawing: &LensDrawing, scale: f64) {
    let lens = drawing.lens;
    let largest = drawing.regions.iter().map(|r| r.mean.norm()).fold(0.0, f64::max);
    let worst = drawing.rays.iter().map(|r| r.sd_px).fold(0.0, f64::max);
    if drawing.regions.is_empty() {
        frame(out, lens, scale, "Residuals: the profile holds none");
    } else {
        let caption = format!(
            "Mean residual by region (arrows {:.0} times enlarged, the longest {largest:.3} px) and number of points; rays known to {worst:.3} px or better (1 sigma, circles)",
            enlargement(largest, lens)
        );
        frame(out, lens, scale, &caption);
    }
    for ray in drawing.rays {
        let radius = if worst > 0.0 { 12.0 * ray.sd_px / worst } else { 0.0 };
        let at = ray.pixel * scale;
        let _ = writeln!(
            out,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"{radius:.1}\" fill=\"none\" stroke=\"#999999\"/>",
            at.x, at.y
        );
    }
    for region in drawing.regions {
        let at = region.centre * scale;
        arrow(out, &at, &(region.mean * scale * enlargement(largest, lens)), "#D55E00");
        let _ = writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" fill=\"#555555\" font-size=\"11\">{}</text>",
            at.x + 4.0,
            at.y + 14.0,
            region.n
        );
    }
}

/// How often arrows are enlarged, so that the longest is a twentieth of the picture's width.
fn enlargement(largest_px: f64, lens: &Lens) -> f64 {
    if largest_px > 0.0 { (0.05 * lens.width as f64 / largest_px).min(1e5) } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_drawing_states_its_figures() {
        // A point at half the width sees k1 r² of its own distance: 0.1 · 0.25 · 0.5 · 1000 px at (1, 0) from the middle.
        let lens = Lens { k1: -0.1, ..Lens::pinhole(1001, 801, 1000.0) };
        let region = Region {
            centre: Vector2::new(500.0, 400.0),
            n: 17,
            mean: Vector2::new(0.03, 0.04),
            rms: 0.1,
            significance: 2.0,
        };
        let rays = [RayQuality { pixel: Vector2::new(0.0, 0.0), sd_px: 0.125 }];
        let text = svg(&LensDrawing { title: "a <b>", lens: &lens, regions: &[region], rays: &rays });
        assert!(
            text.contains("a &lt;b&gt;")
                && text.contains("0.050 px")
                && text.contains(">17<")
                && text.contains("0.125 px"),
            "{text}"
        );
        let corner = lens.normalized_from_pixel(&Vector2::new(0.0, 0.0)).unwrap();
        let expected = 100.0 * corner.norm().powi(3);
        assert!(text.contains(&format!("at most {expected:.1} px")), "{text}");
        assert_eq!(text.matches("<svg").count(), 1);
    }
}
