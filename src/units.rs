//! The only place where 1000 and 180/π appear: the border between the inside (metres, radians)
//! and what people read or write (millimetres, degrees).

/// Metres from millimetres.
pub const fn m_from_mm(mm: f64) -> f64 {
    mm / 1000.0
}

/// Millimetres from metres.
pub const fn mm_from_m(m: f64) -> f64 {
    m * 1000.0
}

/// Radians from degrees.
pub const fn rad_from_deg(deg: f64) -> f64 {
    deg * (std::f64::consts::PI / 180.0)
}

/// Degrees from radians.
pub const fn deg_from_rad(rad: f64) -> f64 {
    rad * (180.0 / std::f64::consts::PI)
}

/// Points (1/72 in, the unit of PDF) from millimetres. Source: ISO 32000-1, 8.3.2.3; an inch is 25.4 mm by definition.
pub const fn pt_from_mm(mm: f64) -> f64 {
    mm * (72.0 / 25.4)
}

/// Pascals from kilopascals.
pub const fn pa_from_kpa(kpa: f64) -> f64 {
    kpa * 1000.0
}

/// Kilopascals from pascals.
pub const fn kpa_from_pa(pa: f64) -> f64 {
    pa / 1000.0
}

/// Kilopascals from bar (exact: 1 bar is 100 kPa).
pub const fn kpa_from_bar(bar: f64) -> f64 {
    bar * 100.0
}

/// Kilopascals from pounds-force per square inch (NIST SP 811, appendix B.8: 6.894757 kPa).
pub const fn kpa_from_psi(psi: f64) -> f64 {
    psi * 6.894757
}

/// Inches from millimetres. An inch is 25.4 mm by definition.
pub const fn inch_from_mm(mm: f64) -> f64 {
    mm / 25.4
}

/// Millimetres from inches.
pub const fn mm_from_inch(inch: f64) -> f64 {
    inch * 25.4
}

/// Radians from minutes of arc.
pub const fn rad_from_arc_minutes(minutes: f64) -> f64 {
    rad_from_deg(minutes / 60.0)
}

/// Milliseconds from seconds.
pub const fn ms_from_s(s: f64) -> f64 {
    s * 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back() {
        assert_eq!(m_from_mm(1500.0), 1.5);
        assert_eq!(mm_from_m(0.25), 250.0);
        assert!((deg_from_rad(rad_from_deg(37.5)) - 37.5).abs() < 1e-12);
        assert_eq!(kpa_from_pa(pa_from_kpa(230.0)), 230.0);
        // 33 psi are 2.275 bar, as gauges with both scales show.
        assert!((kpa_from_psi(33.0) - kpa_from_bar(2.275)).abs() < 0.1);
        assert!((rad_from_deg(180.0) - std::f64::consts::PI).abs() < 1e-15);
    }
}
