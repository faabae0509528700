//! Size designations, load ranges and rims.

use super::{Check, rows};
use rules::Quantity;
use rules::size::{LoadRange, Size, SizeError, approved_rim_widths, rims, section_width_mm};
use std::fmt::Display;

fn likely<T: Display>(sizes: &[T], otherwise: &str) -> String {
    let likely: Vec<String> = sizes.iter().map(|size| format!("{size}?")).collect();
    if likely.is_empty() { otherwise.to_owned() } else { likely.join(" ") }
}

fn said(error: SizeError) -> String {
    match error {
        SizeError::Form(_) => "no size".to_owned(),
        SizeError::Range { .. } => "out of range".to_owned(),
        SizeError::Rim { likely: sizes, .. } => likely(&sizes, "no rim code"),
        SizeError::LoadRange { likely: ranges, .. } => likely(&ranges, "no load range"),
        SizeError::NotListed { .. } => "not listed".to_owned(),
    }
}

fn read(written: &str) -> String {
    if written.len() > 4 || written.contains('R') && written.contains(char::is_numeric) {
        written.parse::<Size>().map_or_else(said, |size| size.to_string())
    } else {
        let range = written.parse::<LoadRange>();
        range.map_or_else(said, |range| format!("load range {range}"))
    }
}

pub fn written() -> Vec<Check> {
    let check = |row: &csv::StringRecord| Check::same(&row[0], &row[1], read(&row[0]), &row[2]);
    rows("checks/sizes.csv").iter().map(check).collect()
}

pub fn shapes() -> Vec<Check> {
    let mut checks = Vec::new();
    for row in rows("checks/size_shapes.csv") {
        let size: Size = row[0].parse().unwrap();
        if let Some(height) = size.section_height_mm() {
            checks.push(Check::same(
                format!("{size} section height, mm"),
                &row[1],
                height,
                &row[4],
            ));
        }
        let of = format!("{size} overall diameter, mm");
        checks.push(match size.overall_diameter_mm() {
            Ok(mm) => {
                Check::near(of, row[2].parse().unwrap(), mm, row[3].parse().unwrap(), &row[4])
            }
            Err(error) => Check::same(of, &row[2], said(error), &row[4]),
        });
    }
    // 0.1 inch for each 1/4 inch of rim.
    let (from, to) = (Quantity::from_hundredths(825), Quantity::whole(9));
    checks.push(Check::near(
        "section 298 mm wide on 8.25, on 9.00, mm",
        298.0 + 3.0 * 2.54,
        section_width_mm(298.0, from, to),
        1e-9,
        "sheet of truck tire rims, February 2011: 0.1 inch for each 1/4 inch of rim",
    ));
    checks
}

pub fn fitting() -> Vec<Check> {
    let mut checks = Vec::new();
    for row in rows("checks/rims.csv") {
        let size: Size = row[0].parse().unwrap();
        let widths = approved_rim_widths(size).map_or_else(said, |widths| {
            widths.iter().map(Quantity::to_string).collect::<Vec<_>>().join(" ")
        });
        checks.push(Check::same(format!("{size} rims, inches"), &row[1], widths, &row[3]));
        let spacing = rims(size).map_or("not listed".to_owned(), |row| {
            row.dual_spacing_in.map_or("single only".to_owned(), |spacing| spacing.to_string())
        });
        checks.push(Check::same(format!("{size} dual spacing, inches"), &row[2], spacing, &row[3]));
    }
    checks
}
