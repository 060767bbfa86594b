//! How many digits of a number are said: of an uncertainty two, of a value as far as its uncertainty goes, of what a person wrote all.
//!
//! Source: JCGM 100:2008 (GUM), 7.2.6.

/// Decimals beyond which nothing is said, whatever the uncertainty and whatever the unit (mm, m, inches, degrees): in mm that is 0.01 µm, in degrees 0.17 µm over a
/// metre, in metres 10 µm, each finer than any target is placed or measured.
const MOST_DECIMALS: i32 = 5;

/// What a number may exceed its rounded form by before it is rounded up, in its last digit: GUM 7.2.6 rounds 10.47 up to 11 and 28.05 down to 28.
const LEAST_EXCESS: f64 = 0.05;

/// Significant digits to which what a person wrote is taken back from metres and radians: more than anyone writes, fewer than the arithmetic has.
const WRITTEN_DIGITS: usize = 12;

/// The last digit that is said, as a number of decimals; negative for tens and hundreds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LastDigit(i32);

impl LastDigit {
    /// Of an uncertainty, so that two significant digits of it are said. One that is none (zero, not finite) allows three decimals.
    pub fn of(u: f64) -> Self {
        if !(u.is_finite() && u > 0.0) {
            return Self(3);
        }
        let decimals = 1 - u.log10().floor() as i32;
        // 0.0996 becomes 0.10, not 0.100.
        let carried = up(u, decimals) >= 100.0;
        Self((decimals - i32::from(carried)).min(MOST_DECIMALS))
    }

    /// A value to this digit.
    pub fn plain(self, value: f64) -> String {
        let step = 10f64.powi(-self.0);
        let value = if self.0 < 0 { (value / step).round() * step } else { value };
        // What rounds to zero has no sign.
        let value = if value.abs() < 0.5 * step { 0.0 } else { value };
        format!("{value:.*}", self.0.max(0) as usize)
    }

    /// The same with its sign; zero has none.
    pub fn signed(self, value: f64) -> String {
        let text = self.plain(value);
        let bare = text.starts_with('-') || text.bytes().all(|b| matches!(b, b'0' | b'.'));
        if bare { text } else { format!("+{text}") }
    }

    /// An uncertainty to this digit, rounded up; what exceeds the digit by up to a twentieth of it is cut ([`LEAST_EXCESS`]): 1.0049 is said as 1.0.
    pub fn up(self, u: f64) -> String {
        if !(u.is_finite() && u > 0.0) {
            return self.plain(u);
        }
        self.plain(up(u, self.0).max(1.0) * 10f64.powi(-self.0))
    }
}

/// An uncertainty in units of its last digit, rounded up.
fn up(u: f64, decimals: i32) -> f64 {
    (u * 10f64.powi(decimals) - LEAST_EXCESS).ceil()
}

/// A number as a person wrote it, after it went through metres or radians and back: the shortest decimal that is the same to twelve digits.
pub fn as_written(value: f64) -> String {
    let short = format!("{value:.*e}", WRITTEN_DIGITS - 1).parse().unwrap_or(value);
    // Adding zero takes the sign from minus zero.
    format!("{}", short + 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{deg_from_rad, m_from_mm, mm_from_m, rad_from_deg};

    /// GUM 7.2.6 (from memory): u = 10.47 mΩ may be rounded up to 11 mΩ, 28.05 kHz should be rounded down to 28 kHz, and y = 10.057 62 Ω with u = 27 mΩ to 10.058 Ω.
    #[test]
    fn the_published_examples_come_out() {
        assert_eq!(LastDigit::of(10.47).up(10.47), "11");
        assert_eq!(LastDigit::of(28.05).up(28.05), "28");
        assert_eq!(LastDigit::of(0.027).plain(10.057_62), "10.058");
    }

    #[test]
    fn an_uncertainty_has_two_digits_and_is_never_made_smaller_by_more_than_a_twentieth_of_the_last() {
        for (u, said) in [
            (0.04, "0.040"),
            (0.784, "0.79"),
            (0.0996, "0.10"),
            (0.0994, "0.10"),
            (1.0, "1.0"),
            (0.1, "0.10"),
            (1000.0, "1000"),
            (123.4, "130"),
            (999.0, "1000"),
            (2e-9, "0.00001"),
            (0.0, "0.000"),
        ] {
            assert_eq!(LastDigit::of(u).up(u), said, "{u}");
        }
        let mut u = 1e-4;
        while u < 1e4 {
            let said = LastDigit::of(u).up(u);
            let digits = said.trim_start_matches(['0', '.']).bytes().filter(u8::is_ascii_digit).count();
            let back: f64 = said.parse().unwrap();
            assert!(digits == 2 || u >= 95.0, "{u}: {said}");
            assert!(back > 0.994 * u && back < 1.1 * u, "{u}: {said}");
            u *= 1.0173;
        }
    }

    #[test]
    fn a_value_goes_as_far_as_its_uncertainty() {
        let fine = LastDigit::of(0.04);
        assert_eq!(
            [fine.plain(1599.96), fine.signed(0.0004), fine.signed(-1.2), fine.signed(1.2)],
            ["1599.960", "0.000", "-1.200", "+1.200"]
        );
        assert_eq!(LastDigit::of(130.0).plain(1234.0), "1230");
        assert_eq!(LastDigit::of(f64::NAN).plain(1.0), "1.000");
    }

    #[test]
    fn what_was_written_comes_back() {
        let mut written = 0.01;
        while written < 20_000.0 {
            let text = format!("{written:.2}");
            let v: f64 = text.parse().unwrap();
            let wanted = v.to_string();
            assert_eq!(as_written(mm_from_m(m_from_mm(v))), wanted);
            assert_eq!(as_written(deg_from_rad(rad_from_deg(-v))), format!("-{wanted}"));
            written *= 1.37;
        }
        assert_eq!([as_written(0.75), as_written(1600.0), as_written(-0.0)], ["0.75", "1600", "0"]);
    }
}
