//! Drawing on a page.

use crate::paper::face::Typeface;
use crate::paper::{Item, Page};
use std::sync::Arc;

/// What is painted with: red, green, blue (sRGB).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ink(pub [u8; 3]);

impl Ink {
    /// Black.
    pub const BLACK: Ink = Ink::grey(0);
    /// For lines and texts that step back.
    pub const GREY: Ink = Ink::grey(110);
    /// For lines to be seen only when looked for.
    pub const LIGHT: Ink = Ink::grey(170);
    /// For areas.
    pub const PALE: Ink = Ink::grey(225);
    /// White.
    pub const WHITE: Ink = Ink::grey(255);
    /// Blue of the palette by Okabe and Ito (values from memory), which people with any colour vision tell apart.
    pub const BLUE: Ink = Ink([0, 114, 178]);
    /// Vermilion of the same palette.
    pub const VERMILION: Ink = Ink([213, 94, 0]);

    /// A grey: 0 black, 255 white.
    pub const fn grey(level: u8) -> Self {
        Self([level; 3])
    }
}

/// How a shape is painted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// What it is filled with.
    pub fill: Option<Ink>,
    /// What it is drawn with, and how wide the line is.
    pub line: Option<(Ink, f64)>,
    /// Lengths of dash and gap, mm.
    pub dash_mm: Option<[f64; 2]>,
}

impl Look {
    /// Filled, without a line.
    pub const fn filled(ink: Ink) -> Self {
        Self { fill: Some(ink), line: None, dash_mm: None }
    }

    /// A line of this width, not filled.
    pub const fn line(ink: Ink, width_mm: f64) -> Self {
        Self { fill: None, line: Some((ink, width_mm)), dash_mm: None }
    }

    /// Filled and drawn.
    pub const fn both(fill: Ink, ink: Ink, width_mm: f64) -> Self {
        Self { fill: Some(fill), line: Some((ink, width_mm)), dash_mm: None }
    }

    /// The same with a dashed line.
    pub const fn dashed(self, dash_mm: f64, gap_mm: f64) -> Self {
        Self { dash_mm: Some([dash_mm, gap_mm]), ..self }
    }
}

/// One step of an outline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Step {
    /// Start anew here.
    Move([f64; 2]),
    /// Straight to here.
    Line([f64; 2]),
    /// A cubic Bézier curve: two control points, the end.
    Curve([f64; 2], [f64; 2], [f64; 2]),
    /// Straight back to the start.
    Close,
}

/// An outline, possibly in several pieces.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Outline(pub Vec<Step>);

impl Outline {
    /// Adds a rectangle.
    pub fn add_rectangle(&mut self, left: f64, top: f64, width: f64, height: f64) {
        self.0.extend([
            Step::Move([left, top]),
            Step::Line([left + width, top]),
            Step::Line([left + width, top + height]),
            Step::Line([left, top + height]),
            Step::Close,
        ]);
    }

    /// A rectangle.
    pub fn rectangle(left: f64, top: f64, width: f64, height: f64) -> Self {
        let mut outline = Self::default();
        outline.add_rectangle(left, top, width, height);
        outline
    }

    /// A rectangle with round corners.
    pub fn rounded(left: f64, top: f64, width: f64, height: f64, radius: f64) -> Self {
        let r = radius.min(width / 2.0).min(height / 2.0);
        let (right, bottom) = (left + width, top + height);
        let k = r * (1.0 - ROUND);
        Self(vec![
            Step::Move([left + r, top]),
            Step::Line([right - r, top]),
            Step::Curve([right - k, top], [right, top + k], [right, top + r]),
            Step::Line([right, bottom - r]),
            Step::Curve([right, bottom - k], [right - k, bottom], [right - r, bottom]),
            Step::Line([left + r, bottom]),
            Step::Curve([left + k, bottom], [left, bottom - k], [left, bottom - r]),
            Step::Line([left, top + r]),
            Step::Curve([left, top + k], [left + k, top], [left + r, top]),
            Step::Close,
        ])
    }

    /// Straight from point to point.
    pub fn polyline(points: &[[f64; 2]]) -> Self {
        let step = |(k, p): (usize, &[f64; 2])| if k == 0 { Step::Move(*p) } else { Step::Line(*p) };
        Self(points.iter().enumerate().map(step).collect())
    }

    /// The same, closed.
    pub fn polygon(points: &[[f64; 2]]) -> Self {
        let mut outline = Self::polyline(points);
        outline.0.push(Step::Close);
        outline
    }

    /// A circle.
    pub fn circle(centre: [f64; 2], radius: f64) -> Self {
        let mut outline = Self::arc(centre, radius, 0.0, std::f64::consts::TAU);
        outline.0.push(Step::Close);
        outline
    }

    /// A piece of a circle, counter-clockwise as seen from angle `from` to angle `to` (radians, 0 to the right).
    pub fn arc(centre: [f64; 2], radius: f64, from: f64, to: f64) -> Self {
        let pieces = ((to - from).abs() / std::f64::consts::FRAC_PI_2 - 1e-9).ceil().max(1.0);
        let turn = (to - from) / pieces;
        // Control points of a piece of a circle: 4/3 tan(turn/4) along the tangents.
        let handle = 4.0 / 3.0 * (turn / 4.0).tan() * radius;
        let at = |a: f64| [centre[0] + radius * a.cos(), centre[1] - radius * a.sin()];
        let off = |a: f64, by: f64| [at(a)[0] - by * a.sin(), at(a)[1] - by * a.cos()];
        let mut steps = vec![Step::Move(at(from))];
        for k in 0..pieces as usize {
            let (a, b) = (from + turn * k as f64, from + turn * (k + 1) as f64);
            steps.push(Step::Curve(off(a, handle), off(b, -handle), at(b)));
        }
        Self(steps)
    }

    /// All its points, control points of curves included.
    pub fn points(&self) -> impl Iterator<Item = [f64; 2]> + '_ {
        self.0.iter().flat_map(|step| match step {
            Step::Move(p) | Step::Line(p) => vec![*p],
            Step::Curve(a, b, c) => vec![*a, *b, *c],
            Step::Close => Vec::new(),
        })
    }

    fn mapped(&self, map: impl Fn([f64; 2]) -> [f64; 2]) -> Self {
        Self(
            self.0
                .iter()
                .map(|step| match step {
                    Step::Move(p) => Step::Move(map(*p)),
                    Step::Line(p) => Step::Line(map(*p)),
                    Step::Curve(a, b, c) => Step::Curve(map(*a), map(*b), map(*c)),
                    Step::Close => Step::Close,
                })
                .collect(),
        )
    }
}

/// Share of the radius at which the control points of a quarter circle lie: 4/3 tan(90°/4).
const ROUND: f64 = 0.552_284_749_830_793_4;

/// Where a part of a drawing sits on the page: moved, turned and scaled. Line widths and type stay as they are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// Where the part's origin comes to lie, mm.
    pub at_mm: [f64; 2],
    /// Size on the page of one unit of the part, mm.
    pub scale: f64,
    /// Turned counter-clockwise as seen, radians.
    pub turn_rad: f64,
}

impl Frame {
    /// The page itself.
    pub const PAGE: Frame = Frame { at_mm: [0.0; 2], scale: 1.0, turn_rad: 0.0 };

    /// Moved and scaled.
    pub const fn at(x: f64, y: f64, scale: f64) -> Self {
        Self { at_mm: [x, y], scale, turn_rad: 0.0 }
    }

    /// And turned.
    pub const fn turned(self, turn_rad: f64) -> Self {
        Self { turn_rad, ..self }
    }

    fn map(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let (sin, cos) = self.turn_rad.sin_cos();
        [self.at_mm[0] + self.scale * (cos * x + sin * y), self.at_mm[1] + self.scale * (cos * y - sin * x)]
    }
}

/// Which point of a text is at the place given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    /// Its left end.
    Left,
    /// Its middle.
    Centre,
    /// Its right end.
    Right,
}

/// A page being drawn.
#[derive(Clone, Debug)]
pub struct Canvas<'a> {
    /// The typeface.
    pub face: &'a Typeface,
    page: Page,
    frame: Frame,
}

impl<'a> Canvas<'a> {
    /// An empty page.
    pub fn new(face: &'a Typeface, size_mm: [f64; 2]) -> Self {
        Self { face, page: Page { size_mm, items: Vec::new() }, frame: Frame::PAGE }
    }

    /// The page as drawn.
    pub fn finish(self) -> Page {
        self.page
    }

    /// Width of the page.
    pub fn width(&self) -> f64 {
        self.page.size_mm[0]
    }

    /// Height of the page.
    pub fn height(&self) -> f64 {
        self.page.size_mm[1]
    }

    /// Draws a part in a frame of its own, given relative to the page.
    pub fn within(&mut self, frame: Frame, draw: impl FnOnce(&mut Self)) {
        let outer = std::mem::replace(&mut self.frame, frame);
        draw(self);
        self.frame = outer;
    }

    /// Draws a part whose origin is here in the present frame, at the same scale and turn.
    pub fn within_part(&mut self, at: [f64; 2], draw: impl FnOnce(&mut Self)) {
        self.within(Frame { at_mm: self.frame.map(at), ..self.frame }, draw);
    }

    /// Where a point of the present frame lies on the page.
    pub fn on_page(&self, point: [f64; 2]) -> [f64; 2] {
        self.frame.map(point)
    }

    /// Paints an outline.
    pub fn paint(&mut self, outline: &Outline, look: Look) {
        let outline = outline.mapped(|p| self.frame.map(p));
        self.page.items.push(Item::Shape { outline, look });
    }

    /// A JPEG picture with its upper left corner here; both sides in units of the present frame, which must not be turned.
    pub fn picture(&mut self, at: [f64; 2], size: [f64; 2], jpeg: Arc<Vec<u8>>) {
        let size_mm = size.map(|side| side * self.frame.scale);
        self.page.items.push(Item::Picture { at_mm: self.frame.map(at), size_mm, jpeg });
    }

    /// A straight line.
    pub fn line(&mut self, from: [f64; 2], to: [f64; 2], ink: Ink, width_mm: f64) {
        self.paint(&Outline::polyline(&[from, to]), Look::line(ink, width_mm));
    }

    /// A line with a head of this length (mm on the page) at its end.
    pub fn arrow(&mut self, from: [f64; 2], to: [f64; 2], ink: Ink, width_mm: f64, head_mm: f64) {
        let head = head_mm / self.frame.scale;
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let length = dx.hypot(dy).max(1e-9);
        let (ux, uy) = (dx / length, dy / length);
        let neck = [to[0] - ux * head, to[1] - uy * head];
        self.line(from, [neck[0] + ux * head * 0.1, neck[1] + uy * head * 0.1], ink, width_mm);
        let side = 0.38 * head;
        let tips = [to, [neck[0] - uy * side, neck[1] + ux * side], [neck[0] + uy * side, neck[1] - ux * side]];
        self.paint(&Outline::polygon(&tips), Look::filled(ink));
    }

    /// One line of text; returns its length, mm.
    pub fn text(&mut self, at: [f64; 2], em_mm: f64, align: Align, ink: Ink, text: &str) -> f64 {
        self.write(at, 0.0, em_mm, align, ink, false, text)
    }

    /// The same in bold.
    pub fn bold(&mut self, at: [f64; 2], em_mm: f64, align: Align, ink: Ink, text: &str) -> f64 {
        self.write(at, 0.0, em_mm, align, ink, true, text)
    }

    /// One line of text in any direction: `angle_rad` counter-clockwise as seen on the page.
    #[allow(clippy::too_many_arguments)] // each says one thing about the line
    pub fn write(
        &mut self,
        at: [f64; 2],
        angle_rad: f64,
        em_mm: f64,
        align: Align,
        ink: Ink,
        bold: bool,
        text: &str,
    ) -> f64 {
        let width_mm = self.face.width_em(text) * em_mm;
        let back = match align {
            Align::Left => 0.0,
            Align::Centre => width_mm / 2.0,
            Align::Right => width_mm,
        };
        let [x, y] = self.frame.map(at);
        let at_mm = [x - back * angle_rad.cos(), y + back * angle_rad.sin()];
        self.page.items.push(Item::Text { at_mm, angle_rad, em_mm, width_mm, ink, bold, text: text.to_owned() });
        width_mm
    }

    /// Several lines in a column; `at` is the left end of the first baseline. Returns the baseline below the last one.
    pub fn column(&mut self, at: [f64; 2], em_mm: f64, width_mm: f64, ink: Ink, text: &str) -> f64 {
        let mut y = at[1];
        for line in self.face.wrapped(text, em_mm, width_mm) {
            self.text([at[0], y], em_mm, Align::Left, ink, &line);
            y += em_mm * LINE_EMS;
        }
        y
    }
}

/// Distance of baselines in ems.
pub const LINE_EMS: f64 = 1.3;

impl Item {
    /// Left, top, right and bottom of what is seen of it, mm; a text as its line from the top of capitals to the bottom of descenders.
    pub fn bounds_mm(&self) -> [f64; 4] {
        let around = |points: &mut dyn Iterator<Item = [f64; 2]>, grow: f64| {
            points.fold([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY], |b, p| {
                [b[0].min(p[0] - grow), b[1].min(p[1] - grow), b[2].max(p[0] + grow), b[3].max(p[1] + grow)]
            })
        };
        match self {
            Item::Shape { outline, look } => {
                around(&mut outline.points(), look.line.map_or(0.0, |(_, width)| width / 2.0))
            }
            Item::Picture { at_mm: [x, y], size_mm: [width, height], .. } => [*x, *y, x + width, y + height],
            Item::Text { at_mm, angle_rad, em_mm, width_mm, .. } => {
                let (sin, cos) = angle_rad.sin_cos();
                let corner =
                    |along: f64, up: f64| [at_mm[0] + along * cos - up * sin, at_mm[1] - along * sin - up * cos];
                let (up, down) = (0.74 * em_mm, -0.22 * em_mm);
                let corners = [corner(0.0, up), corner(*width_mm, up), corner(*width_mm, down), corner(0.0, down)];
                around(&mut corners.into_iter(), 0.0)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_circle_is_round() {
        for step in &Outline::circle([10.0, 20.0], 5.0).0 {
            if let Step::Curve(.., end) = step {
                assert!(((end[0] - 10.0).hypot(end[1] - 20.0) - 5.0).abs() < 1e-12);
            }
        }
        // A quarter's middle: the known error of the cubic is 0.03 % of the radius (textbook value, from memory).
        let Outline(steps) = Outline::arc([0.0, 0.0], 1.0, 0.0, std::f64::consts::FRAC_PI_2);
        let (Step::Move(a), Step::Curve(b, c, d)) = (steps[0], steps[1]) else { panic!("{steps:?}") };
        let middle: [f64; 2] = std::array::from_fn(|k| (a[k] + 3.0 * b[k] + 3.0 * c[k] + d[k]) / 8.0);
        assert!((middle[0].hypot(middle[1]) - 1.0).abs() < 3e-4);
        assert!(middle[0] > 0.0 && middle[1] < 0.0, "counter-clockwise as seen is upwards, which is -y");
    }

    #[test]
    fn frames_turn_counter_clockwise_as_seen() {
        let frame = Frame::at(100.0, 50.0, 2.0).turned(std::f64::consts::FRAC_PI_2);
        let [x, y] = frame.map([3.0, 0.0]);
        assert!((x - 100.0).abs() < 1e-12 && (y - 44.0).abs() < 1e-12, "right becomes up: {x} {y}");
    }

    #[test]
    fn texts_are_placed_by_their_measured_width() {
        let face = Typeface::shipped().unwrap();
        let mut canvas = Canvas::new(&face, [100.0, 100.0]);
        canvas.text([50.0, 40.0], 4.0, Align::Centre, Ink::BLACK, "middle");
        canvas.write([10.0, 90.0], std::f64::consts::FRAC_PI_2, 4.0, Align::Left, Ink::BLACK, false, "up");
        let page = canvas.finish();
        let [left, top, right, bottom] = page.items[0].bounds_mm();
        assert!(((left + right) / 2.0 - 50.0).abs() < 1e-9 && top < 40.0 && bottom > 40.0);
        let [left, top, right, bottom] = page.items[1].bounds_mm();
        assert!(left < 10.0 && right > 10.0 && (bottom - 90.0).abs() < 1e-9 && top < 86.0);
    }
}
