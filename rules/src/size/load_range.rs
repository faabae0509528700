//! Load ranges: how strong the casing is, 49 CFR 571.119 S6.5(j).

use super::SizeError;
use crate::published::rows;
use serde::Deserialize;
use std::fmt;
use std::str::FromStr;
use std::sync::LazyLock;

/// A letter and the ply rating that it replaced.
#[derive(Clone, Debug, Deserialize)]
pub struct LoadRangeRow {
    /// The letter.
    pub letter: char,
    /// Ply rating.
    pub ply_rating: u8,
    /// Where it is published.
    pub source: String,
}

/// `data/load_ranges.csv`, in order of strength.
pub static LOAD_RANGES: LazyLock<Vec<LoadRangeRow>> =
    LazyLock::new(|| rows(include_str!("../../data/load_ranges.csv")));

/// The load range of a tire. The rated pressure goes with size and load range together,
/// never with the letter alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LoadRange(char);

impl LoadRange {
    /// Its letter.
    #[must_use]
    pub fn letter(self) -> char {
        self.0
    }

    /// The ply rating that the letter replaced; not a number of plies.
    #[must_use]
    pub fn ply_rating(self) -> u8 {
        // Only letters of the table are ever made.
        LOAD_RANGES.iter().find(|row| row.letter == self.0).map_or(0, |row| row.ply_rating)
    }
}

impl fmt::Display for LoadRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

/// `G`, `LRG` or `LR G`.
impl FromStr for LoadRange {
    type Err = SizeError;

    fn from_str(text: &str) -> Result<LoadRange, SizeError> {
        let written: String = text.split_whitespace().collect();
        let written = written.to_ascii_uppercase();
        let letter = written.strip_prefix("LR").unwrap_or(&written);
        let row = LOAD_RANGES.iter().find(|row| letter.chars().eq([row.letter]));
        row.map(|row| LoadRange(row.letter)).ok_or_else(|| SizeError::LoadRange {
            letter: letter.to_owned(),
            likely: meant(letter),
        })
    }
}

/// The ranges beside a letter that was left out so that it is not taken for a figure.
fn meant(letter: &str) -> Vec<LoadRange> {
    let (&[letter], rows) = (letter.as_bytes(), &*LOAD_RANGES) else {
        return Vec::new();
    };
    let left_out = |pair: &[LoadRangeRow]| {
        pair[0].letter < char::from(letter) && char::from(letter) < pair[1].letter
    };
    let beside = rows.windows(2).find(|pair| left_out(pair)).unwrap_or_default();
    beside.iter().map(|row| LoadRange(row.letter)).collect()
}
