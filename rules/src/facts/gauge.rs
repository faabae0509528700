//! Pressure gauges.

use super::{Checked, Field, named, shape, within};
use crate::Quantity;
use crate::hold::Grade;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A pressure gauge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = GaugeBody)]
pub struct Gauge {
    /// What the crew calls it.
    #[schema(example = "Elmford digital 1")]
    pub name: String,
    /// Full scale.
    pub span_psi: Quantity,
    /// Accuracy grade.
    pub grade: Grade,
    /// The smallest step it shows.
    pub resolution_psi: Quantity,
    /// The last day on which its calibration holds.
    pub calibrated_until: NaiveDate,
}

impl Checked for Gauge {
    fn check(&self, fields: &mut Vec<Field>) {
        named(fields, "name", &self.name);
        within(fields, "span_psi", self.span_psi, 1, 1000, "psi");
        if self.resolution_psi <= Quantity::ZERO || self.resolution_psi > Quantity::whole(20) {
            fields.push(Field::new(
                "/facts/resolution_psi",
                "A step above 0 and up to 20 psi is expected.",
            ));
        }
    }
}

/// `calibrated`: a gauge was calibrated.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Calibrated {
    /// The last day on which the calibration holds.
    pub calibrated_until: NaiveDate,
    /// The certificate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate: Option<String>,
}

shape!(Calibrated, |calibrated, fields| {
    if let Some(certificate) = &calibrated.certificate {
        named(fields, "certificate", certificate);
    }
});
