//! Rims that a size goes on.

use super::{Size, SizeError};
use crate::Quantity;
use crate::published::{quantities, rows};
use serde::Deserialize;
use std::sync::LazyLock;

/// What is published of a size's rims and of its dual spacing.
#[derive(Clone, Debug, Deserialize)]
pub struct Rims {
    /// The size.
    pub size: String,
    /// Approved rim widths, inches; none where only the spacing is published.
    #[serde(deserialize_with = "quantities")]
    pub rim_widths_in: Vec<Quantity>,
    /// Least spacing of duals from centre to centre, inches.
    pub dual_spacing_in: Option<Quantity>,
    /// Not for dual fitment.
    pub single_only: bool,
    /// Where it is published.
    pub source: String,
}

/// `data/size_rims.csv`.
pub static SIZE_RIMS: LazyLock<Vec<Rims>> =
    LazyLock::new(|| rows(include_str!("../../data/size_rims.csv")));

/// What is published of this size's rims.
#[must_use]
pub fn rims(size: Size) -> Option<&'static Rims> {
    let name = size.to_string();
    SIZE_RIMS.iter().find(|row| row.size == name)
}

/// Approved widths of rims for this size, inches.
///
/// # Errors
/// Where they are not in `data/size_rims.csv`.
pub fn approved_rim_widths(size: Size) -> Result<&'static [Quantity], SizeError> {
    let widths = rims(size).map(|row| row.rim_widths_in.as_slice());
    widths.filter(|widths| !widths.is_empty()).ok_or(SizeError::NotListed {
        what: "The list of approved rims",
        size,
        table: "the table of rims",
    })
}

/// A way that rims are built.
#[derive(Clone, Debug, Deserialize)]
pub struct RimFamily {
    /// Its name.
    pub family: String,
    /// The parts that it is put together of.
    pub pieces: u8,
    /// For tires with tube and flap.
    pub tube_type: bool,
    /// Slope of the bead seat, degrees.
    pub bead_seat_deg: u8,
    /// What it looks like.
    pub what: String,
    /// Where it is published.
    pub source: String,
}

/// `data/rim_families.csv`. Any of them may be demountable: without a disc, clamped to a
/// spoke wheel, with a spacer band between duals.
pub static RIM_FAMILIES: LazyLock<Vec<RimFamily>> =
    LazyLock::new(|| rows(include_str!("../../data/rim_families.csv")));

/// The families of rims that a size goes on.
pub fn rim_families(size: Size) -> impl Iterator<Item = &'static RimFamily> {
    RIM_FAMILIES.iter().filter(move |family| family.tube_type == size.tube_type())
}

/// Width of the section on another rim than it was measured on, mm: 0.4 of the difference,
/// which is the published 0.1 inch for each 1/4 inch of rim (2011 sheet of rims, tire
/// maker's service manual).
#[must_use]
pub fn section_width_mm(measured_mm: f64, measured_on_in: Quantity, rim_in: Quantity) -> f64 {
    measured_mm + 0.4 * (rim_in - measured_on_in).to_f64() * super::MM_PER_INCH
}
