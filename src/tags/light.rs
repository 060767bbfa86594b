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

    /// The square root of an amount of light, within the table.
    #[inline(always)]
    pub(super) fn root(light: f32) -> f32 {
        let light = if light > 4e-6 { light } else { 4e-6 };
        light.sqrt()
    }

    /// The code of a square root from [`Tone::root`], and the code's derivative by light; light above 1 stays at 255 with no derivative.
    #[inline(always)]
    pub(super) fn code_of_root(&self, root: f32) -> (f32, f32) {
        if root >= 1.0 {
            return (255.0, 0.0);
        }
        let at = root * STEPS as f32;
        let k = (at as usize).min(STEPS);
        let (a, b) = (self.code[k], self.code[k + 1]);
        (a + (b - a) * (at - k as f32), (b - a) * (STEPS as f32 / 2.0) / root)
    }

    /// The code of an amount of light and its derivative; light above 1 stays at 255 with no derivative.
    pub fn code(&self, light: f64) -> (f64, f64) {
        let (code, slope) = self.code_of_root(Self::root(light as f32));
        (f64::from(code), f64::from(slope))
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
