//! From light to coded grey values, for the fit's predictions.

use crate::raster::ToneCurve;

/// Steps of the table, equally spaced in the square root of light, in which every usual tone curve is nearly straight.
const STEPS: usize = 1024;

/// A tone curve in both directions.
#[derive(Clone, Debug)]
pub struct Tone {
    /// Light for each code.
    pub light: [f32; 256],
    code: Vec<f32>,
}

impl Tone {
    /// Tables for a tone curve.
    pub fn new(curve: &ToneCurve) -> Self {
        let light = curve.light_table();
        let mut code = Vec::with_capacity(STEPS + 2);
        let mut below = 0usize;
        for step in 0..=STEPS {
            let root = step as f32 / STEPS as f32;
            let wanted = root * root;
            while below < 254 && light[below + 1] <= wanted {
                below += 1;
            }
            // Between two codes light is close to a parabola through black: straight in its square root.
            let (a, b) = (light[below].max(0.0).sqrt(), light[below + 1].max(0.0).sqrt());
            let part = if b > a { ((root - a) / (b - a)).clamp(0.0, 1.0) } else { 0.0 };
            code.push(below as f32 + part);
        }
        code.push(code[STEPS]);
        Tone { light, code }
    }

    /// The code of an amount of light and its derivative; light above 1 stays at 255 with no derivative.
    #[inline]
    pub fn code(&self, light: f64) -> (f64, f64) {
        if light >= 1.0 {
            return (255.0, 0.0);
        }
        let root = light.max(4e-6).sqrt();
        let at = root * STEPS as f64;
        let k = at as usize;
        let (a, b) = (f64::from(self.code[k]), f64::from(self.code[k + 1]));
        (a + (b - a) * (at - k as f64), (b - a) * STEPS as f64 / (2.0 * root))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::light_to_srgb;

    #[test]
    fn codes_follow_the_curve() {
        let tone = Tone::new(&ToneCurve::Srgb);
        for k in 1..980 {
            let light = f64::from(k) / 1000.0;
            let (code, slope) = tone.code(light);
            assert!((code - 255.0 * light_to_srgb(light)).abs() < 0.02, "{light}");
            let numeric = 255.0 * (light_to_srgb(light * 1.01) - light_to_srgb(light * 0.99)) / (0.02 * light);
            assert!((slope / numeric - 1.0).abs() < 0.05, "{light} {slope} {numeric}");
        }
        assert_eq!(tone.code(1.7), (255.0, 0.0));
        // Black itself is left out: the table starts a quarter of a grey value above it, where a slope exists.
        for code in 1..256 {
            assert!((tone.code(f64::from(tone.light[code])).0 - code as f64).abs() < 0.1, "{code}");
        }
    }
}
