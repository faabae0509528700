//! Pressure gauges.

use super::bounds::{ShortText, Span, Step, named, within};
use super::{Checked, Field, shape};
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
    #[schema(value_type = ShortText)]
    pub name: String,
    /// Full scale.
    #[schema(value_type = Span)]
    pub span_psi: Quantity,
    /// Accuracy grade.
    pub grade: Grade,
    /// The smallest step it shows.
    #[schema(value_type = Step)]
    pub resolution_psi: Quantity,
    /// The last day on which its calibration holds.
    pub calibrated_until: NaiveDate,
}

impl Checked for Gauge {
    fn check(&self, fields: &mut Vec<Field>) {
        named(fields, "name", &self.name);
        within::<Span>(fields, "span_psi", self.span_psi);
        within::<Step>(fields, "resolution_psi", self.resolution_psi);
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
    #[schema(value_type = Option<ShortText>)]
    pub certificate: Option<String>,
}

shape!(Calibrated, |calibrated, fields| {
    if let Some(certificate) = &calibrated.certificate {
        named(fields, "certificate", certificate);
    }
});
