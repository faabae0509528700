//! Pressure, temperature and altitude of the air in a tire.

/// Standard atmosphere at sea level, psi.
pub const SEA_LEVEL_PSI: f64 = 14.695_949;

/// Pressure of the standard atmosphere at a height in feet, psi.
///
/// Source: the International Standard Atmosphere's troposphere, lapse 6.5 K a kilometre.
#[must_use]
pub fn atmosphere_psi(altitude_ft: f64) -> f64 {
    SEA_LEVEL_PSI * (1.0 - 0.0065 * 0.3048 * altitude_ft / 288.15).powf(5.255_786)
}

/// Degrees Fahrenheit above absolute zero.
#[must_use]
pub fn rankine(f: f64) -> f64 {
    f + 459.67
}

/// Gauge pressure after a change of temperature and altitude at constant volume, psi.
///
/// The ideal gas law holds for absolute pressure and absolute temperature; using
/// gauge pressure in the ratio is a common mistake. A casing grows slightly, so
/// the result runs a little high.
#[must_use]
pub fn gauge_psi_at(psi: f64, from_f: f64, from_ft: f64, to_f: f64, to_ft: f64) -> f64 {
    (psi + atmosphere_psi(from_ft)) * rankine(to_f) / rankine(from_f) - atmosphere_psi(to_ft)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the ideal gas law, ten worked cases computed independently in double precision.
    #[test]
    fn worked_cases_of_the_gas_law() {
        let table = include_str!("../tests/data/gas_law.csv");
        let mut rows = 0;
        for row in csv::Reader::from_reader(table.as_bytes()).records() {
            let row = row.unwrap();
            let value = |i: usize| row[i].parse::<f64>().unwrap();
            let got = gauge_psi_at(value(2), value(3), value(4), value(6), value(7));
            assert!((got - value(9)).abs() < 1e-6, "{row:?}: {got}");
            rows += 1;
        }
        assert_eq!(rows, 10);
    }

    /// Source: published values of the standard atmosphere, rounded to four decimals.
    #[test]
    fn standard_atmosphere() {
        for (feet, psi) in [
            (0.0, 14.6959),
            (500.0, 14.4324),
            (1000.0, 14.1726),
            (2000.0, 13.6644),
            (3000.0, 13.1711),
            (4000.0, 12.6924),
            (5000.0, 12.2278),
            (5280.0, 12.1002),
            (6000.0, 11.7771),
            (7000.0, 11.3399),
            (8000.0, 10.9159),
            (10_000.0, 10.1065),
        ] {
            assert!((atmosphere_psi(feet) - psi).abs() < 6e-5, "{feet}: {}", atmosphere_psi(feet));
        }
    }

    /// Source: the ideal gas law. The ratio of gauge pressures would give 92.45 psi.
    #[test]
    fn cold_morning_needs_absolute_pressure() {
        let cold = gauge_psi_at(100.0, 70.0, 0.0, 30.0, 0.0);
        assert!((cold - 91.34).abs() < 5e-3, "{cold}");
    }
}
