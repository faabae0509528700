//! Load indices and speed symbols: the service description beside a size, `144/141L`.
//!
//! The list is a table, never a formula: 45 x 10^(LI/80) misses its values by up to 1.7 %
//! (UN R54 Annex 4; ISO 4000-1 uses the same list). Loads in pounds on a sidewall are rounded
//! by themselves: none is computed from the other. In the United States only what the
//! sidewall gives counts, 49 CFR 393.75(g).

use crate::published::rows;
use serde::Deserialize;
use std::fmt;
use std::str::FromStr;
use std::sync::LazyLock;

/// What an index carries.
#[derive(Clone, Debug, Deserialize)]
pub struct LoadIndexRow {
    /// The index.
    pub index: u16,
    /// The load of one tire, kg.
    pub kg: u16,
    /// Where it is published.
    pub source: String,
}

/// `data/load_index.csv`: 100 to 179, in order.
pub static LOAD_INDEX: LazyLock<Vec<LoadIndexRow>> =
    LazyLock::new(|| rows(include_str!("../data/load_index.csv")));

/// What a speed symbol allows.
#[derive(Clone, Debug, Deserialize)]
pub struct SpeedSymbolRow {
    /// The symbol.
    pub symbol: char,
    /// The speed, km/h.
    pub km_h: u16,
    /// Where it is published.
    pub source: String,
}

/// `data/speed_symbols.csv`, in order of speed: `H` stands between `U` and `V`.
pub static SPEED_SYMBOLS: LazyLock<Vec<SpeedSymbolRow>> =
    LazyLock::new(|| rows(include_str!("../data/speed_symbols.csv")));

/// Why a text is no service description, or a value has no index.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LoadIndexError {
    /// Of another form.
    #[error("{0:?} is no service description. Write it like 144/141L: single, dual, speed.")]
    Form(String),
    /// Not in the table.
    #[error("Load index {0} is not one of a truck tire: 100 to 179 (UN R54 Annex 4).")]
    Index(u16),
    /// No speed has this symbol.
    #[error("{0} is no speed symbol (UN R54).")]
    Speed(char),
    /// Duals carry no more each than a single.
    #[error("{single}/{dual} cannot be: the index for duals is not above that for a single.")]
    Dual {
        /// Index, single.
        single: u16,
        /// Index, dual.
        dual: u16,
    },
    /// No index of the table carries so much.
    #[error("No load index carries {0} kg: the table ends at 179, 7750 kg (UN R54 Annex 4).")]
    TooHeavy(u32),
}

/// The load that a tire of this index carries, kg.
///
/// # Errors
/// Where the index is not in the table.
pub fn load_kg(index: u16) -> Result<u16, LoadIndexError> {
    let row = LOAD_INDEX.iter().find(|row| row.index == index);
    row.map(|row| row.kg).ok_or(LoadIndexError::Index(index))
}

/// The least index of the table that carries this load.
///
/// # Errors
/// Where none does.
pub fn index_for_kg(kg: u32) -> Result<u16, LoadIndexError> {
    let row = LOAD_INDEX.iter().find(|row| u32::from(row.kg) >= kg);
    row.map(|row| row.index).ok_or(LoadIndexError::TooHeavy(kg))
}

/// The speed that a symbol allows, km/h.
///
/// # Errors
/// Where it is no speed symbol.
pub fn speed_km_h(symbol: char) -> Result<u16, LoadIndexError> {
    let row = SPEED_SYMBOLS.iter().find(|row| row.symbol == symbol);
    row.map(|row| row.km_h).ok_or(LoadIndexError::Speed(symbol))
}

/// Load indices and speed symbol of a tire.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct ServiceDescription {
    /// Load index, single.
    pub single: u16,
    /// Load index, dual; none for a tire rated single only (from memory).
    pub dual: Option<u16>,
    /// Speed symbol.
    pub speed: char,
}

impl fmt::Display for ServiceDescription {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.single)?;
        if let Some(dual) = self.dual {
            write!(f, "/{dual}")?;
        }
        write!(f, "{}", self.speed)
    }
}

/// Blanks and small letters do not matter.
impl FromStr for ServiceDescription {
    type Err = LoadIndexError;

    fn from_str(text: &str) -> Result<ServiceDescription, LoadIndexError> {
        let form = || LoadIndexError::Form(text.to_owned());
        let written: String = text.split_whitespace().collect();
        let speed = written.chars().last().filter(char::is_ascii_alphabetic).ok_or_else(form)?;
        let indices = &written[..written.len() - 1];
        let index = |digits: &str| {
            let right = digits.len() == 3 && digits.bytes().all(|byte| byte.is_ascii_digit());
            right.then(|| digits.parse::<u16>().ok()).flatten().ok_or_else(form)
        };
        let (single, dual) = match indices.split_once('/') {
            Some((single, dual)) => (index(single)?, Some(index(dual)?)),
            None => (index(indices)?, None),
        };
        for index in [Some(single), dual].into_iter().flatten() {
            load_kg(index)?;
        }
        let speed = speed.to_ascii_uppercase();
        speed_km_h(speed)?;
        match dual {
            Some(dual) if dual > single => Err(LoadIndexError::Dual { single, dual }),
            _ => Ok(ServiceDescription { single, dual, speed }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Source: UN R54 Annex 4, a list that rises and repeats tenfold every 80.
    #[test]
    fn the_list_rises_without_a_gap() {
        assert_eq!(LOAD_INDEX.len(), 80);
        for (row, index) in LOAD_INDEX.iter().zip(100..) {
            assert_eq!(row.index, index);
            assert_eq!(index_for_kg(u32::from(row.kg)), Ok(index));
        }
        assert!(LOAD_INDEX.windows(2).all(|pair| pair[0].kg < pair[1].kg));
        assert_eq!(index_for_kg(7751), Err(LoadIndexError::TooHeavy(7751)));
    }

    /// Source: the generating curve 45 x 10^(LI/80), from which the list is 1.74 % off at
    /// worst, at 118.
    #[test]
    fn the_list_keeps_near_its_curve() {
        let off = |row: &LoadIndexRow| {
            (45.0 * 10f64.powf(f64::from(row.index) / 80.0) / f64::from(row.kg) - 1.0).abs()
        };
        let worst = LOAD_INDEX.iter().max_by(|a, b| off(a).total_cmp(&off(b))).unwrap();
        assert_eq!(worst.index, 118);
        assert!((off(worst) - 0.0174).abs() < 5e-4, "{}", off(worst));
    }

    proptest! {
        /// Source: a tire maker's service manual, single / dual and speed.
        #[test]
        fn a_description_is_read_as_it_is_written(
            single in 100u16..180, below in prop::option::of(0u16..10),
            speed in prop::sample::select(SPEED_SYMBOLS.iter().map(|row| row.symbol).collect::<Vec<_>>()),
        ) {
            let dual = below.map(|below| single.saturating_sub(below).max(100));
            let description = ServiceDescription { single, dual, speed };
            prop_assert_eq!(description.to_string().parse::<ServiceDescription>(), Ok(description));
        }

        #[test]
        fn no_text_is_too_odd_to_be_answered(text in any::<String>()) {
            if let Err(error) = text.parse::<ServiceDescription>() {
                prop_assert!(!error.to_string().is_empty());
            }
        }
    }
}
