//! Size designations of truck tires, and what they say of the tire's shape.
//!
//! Three forms, as tire makers' manuals give them: metric (`295/75R22.5`), numeric tubeless
//! (`11R22.5`) and tube-type (`10.00R20`, also written `1000R20`). `R` is radial, a hyphen
//! or `D` bias.

mod load_range;
mod rim;

pub use load_range::{LOAD_RANGES, LoadRange, LoadRangeRow};
pub use rim::{
    RIM_FAMILIES, RimFamily, Rims, SIZE_RIMS, approved_rim_widths, rim_families, rims,
    section_width_mm,
};

use crate::Quantity;
use crate::published::rows;
use serde::Deserialize;
use std::fmt;
use std::ops::RangeInclusive;
use std::str::FromStr;
use std::sync::LazyLock;

const MM_PER_INCH: f64 = 25.4;

/// How the width is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Form {
    /// Section width in millimetres, and section height in percent of it.
    Metric {
        /// Nominal section width, mm.
        width_mm: u16,
        /// Section height, percent of the width.
        aspect: u16,
    },
    /// Section width in inches, for a tubeless tire.
    Numeric {
        /// Nominal section width, inches.
        width_in: Quantity,
    },
    /// Section width in inches with two decimals, for a tire with tube and flap.
    TubeType {
        /// Nominal section width, inches.
        width_in: Quantity,
    },
}

/// A size designation.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Size {
    form: Form,
    radial: bool,
    rim: Quantity,
}

/// Why a text is no size, or what is not published of one.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SizeError {
    /// Of no known form.
    #[error("{0:?} is no size of a truck tire. Write it like 295/75R22.5, 11R22.5 or 10.00R20.")]
    Form(String),
    /// The rim code does not go with the form.
    #[error(
        "{text} cannot be: a {form} size has a rim code of {}.{}",
        expected.join(", "), meant(likely)
    )]
    Rim {
        /// What was read.
        text: String,
        /// Its form.
        form: &'static str,
        /// The rim codes of that form, inches. Source: `data/rim_codes.csv`.
        expected: Vec<String>,
        /// What was likely meant.
        likely: Vec<Size>,
    },
    /// A number that no truck tire has: common practice, no published source.
    #[error(
        "{text} cannot be: a {what} of {} to {} is expected (common practice).",
        expected.start(), expected.end()
    )]
    Range {
        /// What was read.
        text: String,
        /// Which of its numbers.
        what: &'static str,
        /// What it can be.
        expected: RangeInclusive<u16>,
    },
    /// A letter that no load range has.
    #[error("There is no load range {letter}.{} (49 CFR 571.119 S6.5(j))", meant(likely))]
    LoadRange {
        /// What was read.
        letter: String,
        /// What was likely meant.
        likely: Vec<LoadRange>,
    },
    /// Not in the table.
    #[error("{what} of {size} is not in {table}. Ask the tire maker's table.")]
    NotListed {
        /// What was asked.
        what: &'static str,
        /// Of which size.
        size: Size,
        /// The published table.
        table: &'static str,
    },
}

fn meant<T: fmt::Display>(likely: &[T]) -> String {
    let likely: Vec<String> = likely.iter().map(T::to_string).collect();
    if likely.is_empty() { String::new() } else { format!(" Is it {}?", likely.join(" or ")) }
}

#[derive(Deserialize)]
struct RimCode {
    code_in: Quantity,
    bead_seat: BeadSeat,
}

#[derive(Clone, Copy, PartialEq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum BeadSeat {
    Tubeless,
    TubeType,
}

static RIM_CODES: LazyLock<Vec<RimCode>> =
    LazyLock::new(|| rows(include_str!("../../data/rim_codes.csv")));

impl Form {
    fn name(self) -> &'static str {
        match self {
            Form::Metric { .. } => "metric",
            Form::Numeric { .. } => "numeric tubeless",
            Form::TubeType { .. } => "tube-type",
        }
    }

    fn codes(self) -> impl Iterator<Item = Quantity> {
        let seat = match self {
            Form::TubeType { .. } => BeadSeat::TubeType,
            _ => BeadSeat::Tubeless,
        };
        RIM_CODES.iter().filter(move |code| code.bead_seat == seat).map(|code| code.code_in)
    }
}

impl Size {
    /// How the width is given.
    #[must_use]
    pub fn form(self) -> Form {
        self.form
    }

    /// Radial, else bias.
    #[must_use]
    pub fn radial(self) -> bool {
        self.radial
    }

    /// Bead diameter code, inches.
    #[must_use]
    pub fn rim_in(self) -> Quantity {
        self.rim
    }

    /// Made for a tube and a flap.
    #[must_use]
    pub fn tube_type(self) -> bool {
        matches!(self.form, Form::TubeType { .. })
    }

    /// Height of the section, mm: width times aspect. None where the size has no aspect.
    #[must_use]
    pub fn section_height_mm(self) -> Option<f64> {
        match self.form {
            Form::Metric { width_mm, aspect } => {
                Some(f64::from(width_mm) * f64::from(aspect) / 100.0)
            }
            _ => None,
        }
    }

    /// Overall diameter, mm. Of a metric size the rim's and twice the section height, else
    /// the published one.
    ///
    /// # Errors
    /// Where the size has no aspect and is not in `data/size_diameters.csv`.
    pub fn overall_diameter_mm(self) -> Result<f64, SizeError> {
        let table = "the table of overall diameters";
        if let Some(height) = self.section_height_mm() {
            return Ok(self.rim.to_f64() * MM_PER_INCH + 2.0 * height);
        }
        let row = DIAMETERS.iter().find(|row| row.size == self.to_string());
        row.map(|row| row.diameter_mm).ok_or(SizeError::NotListed {
            what: "The overall diameter",
            size: self,
            table,
        })
    }

    /// The size that replaces a tube-type one without a tube, or a tubeless one with one.
    ///
    /// # Errors
    /// Where it is not in `data/tube_type_sizes.csv`.
    pub fn counterpart(self) -> Result<Size, SizeError> {
        let bias = Size { radial: false, ..self }.to_string();
        let other = TUBE_TYPE_SIZES.iter().find_map(|row| {
            let other = if row.tube_type == bias { &row.tubeless } else { &row.tube_type };
            (row.tube_type == bias || row.tubeless == bias).then_some(other)
        });
        let size = other.and_then(|other| other.parse::<Size>().ok());
        size.map(|size| Size { radial: self.radial, ..size }).ok_or(SizeError::NotListed {
            what: "The counterpart",
            size: self,
            table: "the table of tube-type and tubeless sizes",
        })
    }
}

#[derive(Deserialize)]
struct DiameterRow {
    size: String,
    diameter_mm: f64,
}

static DIAMETERS: LazyLock<Vec<DiameterRow>> =
    LazyLock::new(|| rows(include_str!("../../data/size_diameters.csv")));

/// A tube-type size and the tubeless one that replaces it.
#[derive(Clone, Debug, Deserialize)]
pub struct TubeTypeRow {
    /// With tube and flap.
    pub tube_type: String,
    /// Without.
    pub tubeless: String,
    /// Where it is published.
    pub source: String,
}

/// `data/tube_type_sizes.csv`.
pub static TUBE_TYPE_SIZES: LazyLock<Vec<TubeTypeRow>> =
    LazyLock::new(|| rows(include_str!("../../data/tube_type_sizes.csv")));

impl fmt::Display for Size {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.form {
            Form::Metric { width_mm, aspect } => write!(f, "{width_mm}/{aspect}")?,
            Form::Numeric { width_in } => write!(f, "{width_in}")?,
            Form::TubeType { width_in } => write!(f, "{:.2}", width_in.to_f64())?,
        }
        write!(f, "{}{}", if self.radial { 'R' } else { '-' }, self.rim)
    }
}

/// Blanks and small letters do not matter.
impl FromStr for Size {
    type Err = SizeError;

    fn from_str(text: &str) -> Result<Size, SizeError> {
        let written: String = text.split_whitespace().collect();
        let written = written.to_ascii_uppercase();
        let parts = written.split_once(['R', '-', 'D']);
        let size = parts.and_then(|(width, rim)| {
            let (form, rim) = (form(width, rim)?, decimal(rim, 1)?);
            Some(Size { form, radial: written.contains('R'), rim })
        });
        let size = size.ok_or_else(|| SizeError::Form(text.to_owned()))?;
        size.plausible(&written)?;
        if size.form.codes().any(|code| code == size.rim) {
            return Ok(size);
        }
        Err(SizeError::Rim {
            likely: size.meant(),
            form: size.form.name(),
            expected: size.form.codes().map(|code| code.to_string()).collect(),
            text: written,
        })
    }
}

/// The form that the width is written in; what the rim adds to it.
fn form(width: &str, rim: &str) -> Option<Form> {
    if let Some((width, aspect)) = width.split_once('/') {
        let whole =
            |text: &str| text.bytes().all(|b| b.is_ascii_digit()).then(|| text.parse().ok());
        return Some(Form::Metric { width_mm: whole(width)??, aspect: whole(aspect)?? });
    }
    let decimals = width.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    let width_in = decimal(width, 2)?;
    Some(match decimals {
        2 => Form::TubeType { width_in },
        // 1000R20 is 10.00R20 without its point.
        0 if width.len() >= 3 && !rim.contains('.') => {
            Form::TubeType { width_in: Quantity::from_hundredths(width.parse().ok()?) }
        }
        _ => Form::Numeric { width_in },
    })
}

/// A number of digits with at most so many decimals.
fn decimal(text: &str, most: usize) -> Option<Quantity> {
    let (whole, decimals) = text.split_once('.').unwrap_or((text, ""));
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    let right = (1..=4).contains(&whole.len())
        && digits(whole)
        && digits(decimals)
        && decimals.len() <= most
        && !text.ends_with('.');
    right.then(|| Quantity::exact(text.parse().ok()?)).flatten()
}

impl Size {
    fn plausible(self, text: &str) -> Result<(), SizeError> {
        let within = |what, found: f64, expected: RangeInclusive<u16>| {
            let right =
                (f64::from(*expected.start())..=f64::from(*expected.end())).contains(&found);
            let text = text.to_owned();
            right.then_some(()).ok_or(SizeError::Range { text, what, expected })
        };
        match self.form {
            Form::Metric { width_mm, aspect } => {
                within("section width in mm", f64::from(width_mm), 195..=495)?;
                within("aspect in percent", f64::from(aspect), 40..=100)
            }
            Form::Numeric { width_in } => within("width in inches", width_in.to_f64(), 7..=18),
            Form::TubeType { width_in } => within("width in inches", width_in.to_f64(), 6..=16),
        }
    }

    /// What was likely meant by a rim code that does not go with the form: the half inch was
    /// left out, or the decimals of a tube-type width were left out or put in.
    fn meant(self) -> Vec<Size> {
        let rims = [self.rim, self.rim + Quantity::from_hundredths(50)];
        let forms = match self.form {
            Form::Metric { .. } => vec![self.form],
            Form::Numeric { width_in } | Form::TubeType { width_in } => {
                vec![Form::Numeric { width_in }, Form::TubeType { width_in }]
            }
        };
        let all = forms.into_iter().flat_map(|form| rims.map(|rim| Size { form, rim, ..self }));
        all.filter(|size| size.form.codes().any(|code| code == size.rim)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn any_size() -> impl Strategy<Value = Size> {
        let width = (6u16..=16, 0u16..4).prop_map(|(inches, quarters)| {
            Quantity::from_hundredths(i64::from(inches) * 100 + i64::from(quarters) * 25)
        });
        let form = prop_oneof![
            (195u16..=495, 40u16..=100)
                .prop_map(|(width_mm, aspect)| Form::Metric { width_mm, aspect }),
            (7u16..=18, prop::bool::ANY).prop_map(|(inches, half)| Form::Numeric {
                width_in: Quantity::from_hundredths(
                    i64::from(inches) * 100 + if half && inches < 18 { 50 } else { 0 }
                ),
            }),
            width
                .prop_filter("at most 16", |width| *width <= Quantity::whole(16))
                .prop_map(|width_in| Form::TubeType { width_in }),
        ];
        (form, any::<bool>(), any::<prop::sample::Index>()).prop_map(|(form, radial, index)| {
            let codes: Vec<Quantity> = form.codes().collect();
            Size { form, radial, rim: codes[index.index(codes.len())] }
        })
    }

    proptest! {
        /// Source: the three forms of makers' manuals.
        #[test]
        fn a_size_is_read_as_it_is_written(size in any_size()) {
            prop_assert_eq!(size.to_string().parse::<Size>(), Ok(size));
        }

        #[test]
        fn no_text_is_too_odd_to_be_answered(text in "[0-9./RD -]{0,12}") {
            if let Err(error) = text.parse::<Size>() {
                prop_assert!(!error.to_string().is_empty());
            }
        }

        /// What was likely meant can be.
        #[test]
        fn what_was_meant_is_a_size(width in 7u16..16, rim in 10u16..30) {
            if let Err(SizeError::Rim { likely, .. }) = format!("{width}R{rim}").parse::<Size>() {
                for size in likely {
                    prop_assert_eq!(size.to_string().parse::<Size>(), Ok(size));
                }
            }
        }
    }

    /// Source: the rows that a trailer maker's manual and a coach service page give; one more
    /// in width and 2.5 in rim, but for 8.25.
    #[test]
    fn counterparts_go_both_ways() {
        for row in TUBE_TYPE_SIZES.iter() {
            let (tube, tubeless): (Size, Size) =
                (row.tube_type.parse().unwrap(), row.tubeless.parse().unwrap());
            assert!(tube.tube_type() && !tubeless.tube_type());
            assert_eq!(tube.counterpart(), Ok(tubeless));
            assert_eq!(tubeless.counterpart(), Ok(tube));
            assert_eq!(tubeless.rim - tube.rim, Quantity::from_hundredths(250));
        }
    }
}
