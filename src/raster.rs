//! Grey images, sampling, and the tone curve that turns coded grey values back into light.
//!
//! Pixel convention everywhere: x right, y down, the centre of the top-left pixel is (0, 0).

/// An 8-bit grey image as coded by the camera (not linear in light).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gray {
    width: usize,
    height: usize,
    data: Vec<u8>,
}

impl Gray {
    /// An image from rows of coded grey values, top row first.
    ///
    /// Returns `None` unless `data` holds exactly `width * height` values.
    pub fn new(width: usize, height: usize, data: Vec<u8>) -> Option<Self> {
        (width.checked_mul(height)? == data.len()).then_some(Self { width, height, data })
    }

    /// An image of one grey value.
    pub fn filled(width: usize, height: usize, value: u8) -> Self {
        Self { width, height, data: vec![value; width * height] }
    }

    /// Width in pixels.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height in pixels.
    pub fn height(&self) -> usize {
        self.height
    }

    /// All grey values, row by row.
    pub fn data(&self) -> &[u8] {
        &self.data
    }

    /// All grey values, row by row, to write.
    pub fn data_mut(&mut self) -> &mut [u8] {
        &mut self.data
    }

    /// The grey values alone, so that their memory can be used again.
    pub fn into_data(self) -> Vec<u8> {
        self.data
    }

    /// One row of grey values.
    pub fn row(&self, y: usize) -> &[u8] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    /// The grey value at a pixel inside the image.
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> u8 {
        self.data[y * self.width + x]
    }

    /// True where a bilinear sample at (x, y) needs no pixel outside the image.
    #[inline]
    pub fn holds(&self, x: f64, y: f64) -> bool {
        x >= 0.0 && y >= 0.0 && x <= (self.width as f64) - 1.0 && y <= (self.height as f64) - 1.0
    }
}

/// How a camera coded light as grey values.
#[derive(Clone, Debug, PartialEq)]
pub enum ToneCurve {
    /// IEC 61966-2-1 (sRGB), what nearly every camera file claims to be.
    Srgb,
    /// `code = light^(1/gamma)`.
    Gamma(f64),
    /// Grey values are proportional to light.
    Linear,
    /// Light (0..1) at equally spaced codes 0..=255, as measured; must rise monotonically.
    Table(Box<[f64; 256]>),
}

impl ToneCurve {
    /// Light (0..1) for each of the 256 coded grey values.
    pub fn light_table(&self) -> [f32; 256] {
        std::array::from_fn(|code| {
            let c = code as f64 / 255.0;
            (match self {
                ToneCurve::Srgb => srgb_to_light(c),
                ToneCurve::Gamma(gamma) => c.powf(*gamma),
                ToneCurve::Linear => c,
                ToneCurve::Table(table) => table[code],
            }) as f32
        })
    }
}

/// Light (0..1) from an sRGB code (0..1). Source: IEC 61966-2-1:1999.
pub fn srgb_to_light(code: f64) -> f64 {
    if code <= 0.04045 { code / 12.92 } else { ((code + 0.055) / 1.055).powf(2.4) }
}

/// An sRGB code (0..1) from light (0..1). Source: IEC 61966-2-1:1999.
pub fn light_to_srgb(light: f64) -> f64 {
    let l = light.clamp(0.0, 1.0);
    if l <= 0.0031308 { l * 12.92 } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn srgb_round_trip() {
        for code in 0..=255 {
            let c = f64::from(code) / 255.0;
            // The standard's rounded constants leave a seam of 1e-7 at the join.
            assert!((light_to_srgb(srgb_to_light(c)) - c).abs() < 1e-6, "{code}");
        }
        // Mid grey: IEC 61966-2-1 gives code 0.5 -> 0.21404.
        assert!((srgb_to_light(0.5) - 0.214_041).abs() < 1e-6);
    }

    #[test]
    fn size_is_checked() {
        assert!(Gray::new(3, 2, vec![0; 6]).is_some());
        assert!(Gray::new(3, 2, vec![0; 5]).is_none());
        assert!(Gray::new(usize::MAX, 2, vec![]).is_none());
    }
}
