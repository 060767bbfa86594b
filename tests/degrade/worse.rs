//! The ways in which a photograph is made worse. Everything optical is done in light.

use nalgebra::Vector2;
use plumbsight::capture::decode;
use plumbsight::raster::{Gray, light_to_srgb, srgb_to_light};
use plumbsight::scene::draw::Draw;
use plumbsight::tags::Detection;

/// One way, with its step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Worse {
    /// As it is.
    Nothing,
    /// So many times less light on a sensor that holds 4,500 electrons, with 6 electrons of read noise.
    Dark(f64),
    /// Three lamps shine into the lens: so much light (1 saturates) at the middle of each.
    Glare(f64),
    /// Out of focus: standard deviation, px.
    Blur(f64),
    /// Moved while exposed: length, px; another direction in each photograph.
    Motion(f64),
    /// JPEG of this quality.
    Jpeg(u8),
    /// Noise of the coded values, grey values.
    Noise(f64),
    /// So many floor sheets are not there.
    SheetsMissing(usize),
    /// Every so many-th photograph stays.
    PhotosKept(usize),
    /// This share of each tag of the plates is dirty.
    DirtyPlates(f64),
    /// This share of all tags has a strip of 20 to 60 % of its area hidden.
    PartlyHidden(f64),
    /// So many people stand in each photograph.
    People(usize),
    /// Tags mirrored in a wet floor and in paint, with this share of their contrast.
    Mirrored(f64),
    /// A rolling shutter in motion: the last row sees so many pixels further than the first; a fifth of it also as motion blur.
    RollingShutter(f64),
}

/// Ids of a kit's parts.
#[derive(Clone, Copy)]
pub struct Ids<'a> {
    pub plates: &'a [u16],
    pub floor: &'a [u16],
}

impl Worse {
    /// Every way in every step of the table.
    pub fn all() -> Vec<Worse> {
        let mut all = vec![Worse::Nothing];
        all.extend([4.0, 16.0, 40.0, 80.0].map(Worse::Dark));
        all.extend([0.1, 0.3, 1.0, 3.0].map(Worse::Glare));
        all.extend([1.0, 2.0, 4.0, 7.0].map(Worse::Blur));
        all.extend([3.0, 8.0, 16.0, 30.0].map(Worse::Motion));
        all.extend([60, 30, 10, 4].map(Worse::Jpeg));
        all.extend([5.0, 12.0, 25.0, 50.0].map(Worse::Noise));
        all.extend([2, 5, 9, 12].map(Worse::SheetsMissing));
        all.extend([2, 3, 6].map(Worse::PhotosKept));
        all.extend([0.05, 0.2, 0.4].map(Worse::DirtyPlates));
        all.extend([0.2, 0.5, 0.8].map(Worse::PartlyHidden));
        all.extend([1, 3, 6].map(Worse::People));
        all.extend([0.3, 0.6, 1.0].map(Worse::Mirrored));
        all.extend([1.0, 3.0, 8.0, 20.0].map(Worse::RollingShutter));
        all
    }

    /// By how much tags may truly be elsewhere in the picture, px.
    pub fn shift_px(self) -> f64 {
        match self {
            Worse::RollingShutter(px) => px,
            _ => 0.0,
        }
    }

    pub fn words(self) -> String {
        match self {
            Worse::Nothing => "as they are".into(),
            Worse::Dark(v) => format!("light / {v}"),
            Worse::Glare(v) => format!("glare {v} of full"),
            Worse::Blur(v) => format!("blur {v} px"),
            Worse::Motion(v) => format!("motion {v} px"),
            Worse::Jpeg(v) => format!("JPEG quality {v}"),
            Worse::Noise(v) => format!("noise {v} grey values"),
            Worse::SheetsMissing(v) => format!("{v} floor sheets missing"),
            Worse::PhotosKept(v) => format!("1 of {v} photographs"),
            Worse::DirtyPlates(v) => format!("plates {:.0} % dirty", 100.0 * v),
            Worse::PartlyHidden(v) => format!("{:.0} % of tags part hidden", 100.0 * v),
            Worse::People(v) => format!("{v} people in view"),
            Worse::Mirrored(v) => format!("mirror images, {:.0} %", 100.0 * v),
            Worse::RollingShutter(v) => format!("rolling shutter {v} px"),
        }
    }
}

/// The photograph number `p` made worse; `None`: it is not there any more.
pub fn made_worse(
    worse: Worse,
    picture: &Gray,
    tags: &[Detection],
    p: usize,
    ids: Ids,
    draw: &mut Draw,
) -> Option<Gray> {
    let (w, h) = (picture.width() as f64, picture.height() as f64);
    Some(match worse {
        Worse::Nothing => picture.clone(),
        Worse::Dark(factor) => {
            let mut light = Light::of(picture);
            for value in &mut light.data {
                let electrons = (*value / factor * 4500.0).max(0.0);
                // The camera's automatic gain brings the picture's brightness back, and the noise with it; four times at most.
                let gain = factor.min(4.0);
                *value = (electrons + draw.normal((electrons + 36.0).sqrt())) / 4500.0 * gain;
            }
            light.gray()
        }
        Worse::Glare(most) => {
            let mut light = Light::of(picture);
            for _ in 0..3 {
                let (cx, cy, r) = (draw.uniform(0.0, w), draw.uniform(0.0, h), draw.uniform(0.05, 0.15) * w);
                light.each(|x, y, v| {
                    let d2 = ((x - cx).powi(2) + (y - cy).powi(2)) / (r * r);
                    // A lamp's core and the long tail of stray light in the lens.
                    v + most * (0.8 * (-d2).exp() + 0.2 / (1.0 + d2))
                });
            }
            light.gray()
        }
        Worse::Blur(sigma) => Light::of(picture).blurred(sigma).gray(),
        Worse::Motion(length) => {
            let angle = draw.uniform(0.0, std::f64::consts::PI);
            Light::of(picture).smeared(Vector2::new(angle.cos(), angle.sin()) * length).gray()
        }
        Worse::Jpeg(quality) => through_jpeg(picture, quality),
        Worse::Noise(sigma) => {
            let mut out = picture.clone();
            for v in out.data_mut() {
                *v = (f64::from(*v) + draw.normal(sigma)).round().clamp(0.0, 255.0) as u8;
            }
            out
        }
        Worse::SheetsMissing(n) => {
            let mut out = picture.clone();
            // Every second one first, so that gaps are spread; the same ones in every photograph.
            let order = ids.floor.iter().step_by(2).chain(ids.floor.iter().skip(1).step_by(2));
            let gone: Vec<u16> = order.take(n).copied().collect();
            for tag in tags.iter().filter(|t| gone.contains(&t.id)) {
                cover(&mut out, &grown(tag, 1.35), brightness(picture, tag));
            }
            out
        }
        Worse::PhotosKept(every) => {
            if !p.is_multiple_of(every) {
                return None;
            }
            picture.clone()
        }
        Worse::DirtyPlates(share) => {
            let mut out = picture.clone();
            for tag in tags.iter().filter(|t| ids.plates.contains(&t.id)) {
                // Dirt sits on the print: the same splashes in every photograph.
                let mut dirt = Draw::new(u64::from(tag.id), plumbsight::scene::draw::Purpose::Bodies);
                let mut left = share;
                while left > 0.0 {
                    let size = dirt.uniform(0.05, 0.12);
                    let (u, v) = (dirt.uniform(0.0, 1.0), dirt.uniform(0.0, 1.0));
                    let spot: Vec<Vector2<f64>> = (0..8)
                        .map(|k| {
                            let angle = f64::from(k) * std::f64::consts::FRAC_PI_4;
                            inside(tag, u + size * angle.cos(), v + size * angle.sin())
                        })
                        .collect();
                    cover(&mut out, &spot, dirt.uniform(60.0, 110.0) as u8);
                    left -= std::f64::consts::PI * size * size;
                }
            }
            out
        }
        Worse::PartlyHidden(share) => {
            let mut out = picture.clone();
            for tag in tags {
                if draw.unit() < share {
                    // A hose or an arm across the tag, from one side.
                    let (start, width) = (draw.uniform(-0.1, 0.7), draw.uniform(0.2, 0.6));
                    let slant = draw.uniform(-0.3, 0.3);
                    let strip = [
                        inside(tag, start, -0.2),
                        inside(tag, start + width, -0.2),
                        inside(tag, start + width + slant, 1.2),
                        inside(tag, start + slant, 1.2),
                    ];
                    cover(&mut out, &strip, draw.uniform(20.0, 220.0) as u8);
                }
            }
            out
        }
        Worse::People(n) => {
            let mut out = picture.clone();
            for _ in 0..n {
                let x = draw.uniform(0.0, w);
                let (half, top) = (draw.uniform(0.02, 0.05) * w, draw.uniform(0.1, 0.4) * h);
                let coat = draw.uniform(15.0, 200.0) as u8;
                cover(&mut out, &ellipse(x, top, 0.6 * half, 0.9 * half), 150);
                cover(
                    &mut out,
                    &[
                        Vector2::new(x - half, top + half),
                        Vector2::new(x + half, top + half),
                        Vector2::new(x + 0.8 * half, h),
                        Vector2::new(x - 0.8 * half, h),
                    ],
                    coat,
                );
            }
            out
        }
        Worse::Mirrored(contrast) => {
            let mut out = picture.clone();
            for (k, tag) in tags.iter().enumerate() {
                mirror(&mut out, picture, tag, contrast, k % 2 == 0, tags);
            }
            out
        }
        Worse::RollingShutter(px) => {
            let angle = draw.uniform(0.0, std::f64::consts::TAU);
            let speed = Vector2::new(angle.cos(), angle.sin()) * px;
            let light = Light::of(picture).smeared(speed * 0.2);
            let mut out = light.clone();
            let middle = h / 2.0;
            out.each(|x, y, _| {
                let shift = speed * ((y - middle) / h);
                light.at(x - shift.x, y - shift.y)
            });
            out.gray()
        }
    })
}

fn through_jpeg(picture: &Gray, quality: u8) -> Gray {
    let mut bytes = Vec::new();
    let mut encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality);
    let (w, h) = (picture.width() as u32, picture.height() as u32);
    encoder.encode(picture.data(), w, h, image::ExtendedColorType::L8).expect("a picture can be coded");
    decode(&bytes).expect("what was coded can be read").gray
}

/// Place in the picture of a point of the tag, (0, 0) to (1, 1) over its black square; beyond it goes on straight.
fn inside(tag: &Detection, u: f64, v: f64) -> Vector2<f64> {
    let [a, b, c, d] = tag.corners;
    a * ((1.0 - u) * (1.0 - v)) + b * (u * (1.0 - v)) + c * (u * v) + d * ((1.0 - u) * v)
}

fn grown(tag: &Detection, by: f64) -> [Vector2<f64>; 4] {
    let low = 0.5 - by / 2.0;
    let high = 0.5 + by / 2.0;
    [[low, low], [high, low], [high, high], [low, high]].map(|[u, v]| inside(tag, u, v))
}

/// The least and the greatest of each coordinate.
fn bounds(points: &[Vector2<f64>]) -> [Vector2<f64>; 2] {
    let low = points.iter().fold(Vector2::repeat(f64::MAX), |a, b| a.inf(b));
    [low, points.iter().fold(Vector2::repeat(f64::MIN), |a, b| a.sup(b))]
}

/// Grey value just outside the print.
fn brightness(picture: &Gray, tag: &Detection) -> u8 {
    let at = inside(tag, 0.5, -0.35);
    let (x, y) = (at.x.clamp(0.0, picture.width() as f64 - 1.0), at.y.clamp(0.0, picture.height() as f64 - 1.0));
    picture.at(x as usize, y as usize)
}

fn ellipse(x: f64, y: f64, a: f64, b: f64) -> Vec<Vector2<f64>> {
    let point = |k: u32| {
        let angle = f64::from(k) * std::f64::consts::TAU / 16.0;
        Vector2::new(x + a * angle.cos(), y + b * angle.sin())
    };
    (0..16).map(point).collect()
}

/// Fills a convex polygon, of either sense, with soft edges (4 x 4 samples a pixel).
fn cover(picture: &mut Gray, polygon: &[Vector2<f64>], value: u8) {
    let [low, high] = bounds(polygon);
    let (w, h) = (picture.width(), picture.height());
    let area: f64 = (0..polygon.len())
        .map(|k| {
            let (a, b) = (polygon[k], polygon[(k + 1) % polygon.len()]);
            a.x * b.y - a.y * b.x
        })
        .sum();
    let sense = area.signum();
    let holds = |p: Vector2<f64>| {
        (0..polygon.len()).all(|k| {
            let (a, b) = (polygon[k], polygon[(k + 1) % polygon.len()]);
            sense * ((b.x - a.x) * (p.y - a.y) - (b.y - a.y) * (p.x - a.x)) >= 0.0
        })
    };
    let range = |low: f64, high: f64, n: usize| {
        (low.floor().clamp(0.0, n as f64) as usize)..((high.ceil() + 1.0).clamp(0.0, n as f64) as usize)
    };
    for y in range(low.y, high.y, h) {
        for x in range(low.x, high.x, w) {
            let mut n = 0;
            for k in 0..16 {
                let sub = |k: usize| (k as f64 + 0.5) / 4.0 - 0.5;
                n += usize::from(holds(Vector2::new(x as f64 + sub(k % 4), y as f64 + sub(k / 4))));
            }
            let share = n as f64 / 16.0;
            let at = &mut picture.data_mut()[y * w + x];
            *at = (f64::from(*at) * (1.0 - share) + f64::from(value) * share).round() as u8;
        }
    }
}

/// Lays the mirror image of a tag and its paper beside it: below (a wet floor) or at its right (paint). It covers no other tag.
fn mirror(out: &mut Gray, picture: &Gray, tag: &Detection, contrast: f64, below: bool, others: &[Detection]) {
    let [low, high] = bounds(&grown(tag, 1.3));
    let (w, h) = (picture.width() as isize, picture.height() as isize);
    let (x0, y0, x1, y1) = (low.x as isize, low.y as isize, high.x.ceil() as isize, high.y.ceil() as isize);
    let place = |x: isize, y: isize| if below { (x, 2 * y1 - y) } else { (2 * x1 - x, y) };
    let [(ax, ay), (bx, by)] = [place(x0, y0), place(x1, y1)];
    let (left, right, top, bottom) = (ax.min(bx) as f64, ax.max(bx) as f64, ay.min(by) as f64, ay.max(by) as f64);
    let meets = |other: &Detection| {
        let [low, high] = bounds(&grown(other, 1.4));
        low.x < right && high.x > left && low.y < bottom && high.y > top
    };
    if others.iter().any(|o| o.corners != tag.corners && meets(o)) {
        return;
    }
    for y in y0..=y1 {
        for x in x0..=x1 {
            let (tx, ty) = place(x, y);
            let holds = |x: isize, y: isize| (0..w).contains(&x) && (0..h).contains(&y);
            if holds(x, y) && holds(tx, ty) && (tx, ty) != (x, y) {
                let from = f64::from(picture.at(x as usize, y as usize));
                let at = &mut out.data_mut()[(ty * w + tx) as usize];
                *at = (f64::from(*at) * (1.0 - contrast) + from * contrast).round() as u8;
            }
        }
    }
}

/// A picture in light.
#[derive(Clone)]
struct Light {
    width: usize,
    height: usize,
    data: Vec<f64>,
}

impl Light {
    fn of(picture: &Gray) -> Self {
        let table: Vec<f64> = (0..256).map(|code| srgb_to_light(f64::from(code) / 255.0)).collect();
        let data = picture.data().iter().map(|&v| table[usize::from(v)]).collect();
        Self { width: picture.width(), height: picture.height(), data }
    }

    fn gray(&self) -> Gray {
        let code = |v: &f64| (light_to_srgb(v.clamp(0.0, 1.0)) * 255.0).round() as u8;
        Gray::new(self.width, self.height, self.data.iter().map(code).collect()).expect("the same size")
    }

    fn each(&mut self, mut f: impl FnMut(f64, f64, f64) -> f64) {
        for y in 0..self.height {
            for x in 0..self.width {
                let at = y * self.width + x;
                self.data[at] = f(x as f64, y as f64, self.data[at]);
            }
        }
    }

    /// Between pixels bilinear; beyond the border as at the border.
    fn at(&self, x: f64, y: f64) -> f64 {
        let (x, y) = (x.clamp(0.0, self.width as f64 - 1.001), y.clamp(0.0, self.height as f64 - 1.001));
        let (i, j) = (x as usize, y as usize);
        let (a, b) = (x - i as f64, y - j as f64);
        let row = |j: usize| {
            let at = j * self.width + i;
            self.data[at] * (1.0 - a) + self.data[at + 1] * a
        };
        row(j) * (1.0 - b) + row(j + 1) * b
    }

    fn blurred(&self, sigma: f64) -> Light {
        let reach = (3.5 * sigma).ceil() as isize;
        let weights: Vec<f64> = (-reach..=reach).map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp()).collect();
        let total: f64 = weights.iter().sum();
        let pass = |from: &Light, dx: isize, dy: isize| {
            let (w, h) = (from.width as isize, from.height as isize);
            let mut to = from.clone();
            for y in 0..h {
                for x in 0..w {
                    let mut sum = 0.0;
                    for (weight, k) in weights.iter().zip(-reach..) {
                        let (i, j) = ((x + k * dx).clamp(0, w - 1), (y + k * dy).clamp(0, h - 1));
                        sum += weight * from.data[(j * w + i) as usize];
                    }
                    to.data[(y * w + x) as usize] = sum / total;
                }
            }
            to
        };
        pass(&pass(self, 1, 0), 0, 1)
    }

    /// The mean along a straight way.
    fn smeared(&self, way: Vector2<f64>) -> Light {
        let n = (2.0 * way.norm()).ceil().max(1.0) as usize;
        let mut out = self.clone();
        out.each(|x, y, _| {
            let at = |k: usize| {
                let step = way * ((k as f64 + 0.5) / n as f64 - 0.5);
                self.at(x + step.x, y + step.y)
            };
            (0..n).map(at).sum::<f64>() / n as f64
        });
        out
    }
}
