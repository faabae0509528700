//! Depots.

use super::bounds::{Altitude, ShortText, named, within};
use super::{Checked, Field};
use crate::Quantity;
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A place where casings are kept and served.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = DepotBody)]
pub struct Depot {
    /// Its name.
    #[schema(example = "Elmford")]
    #[schema(value_type = ShortText)]
    pub name: String,
    /// IANA time zone; "today" means this depot's day.
    #[schema(value_type = String, format = "iana-time-zone", example = "America/Chicago")]
    pub zone: Tz,
    /// Height above the sea, for the gas law.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Altitude>)]
    pub altitude_ft: Option<Quantity>,
}

impl Checked for Depot {
    fn check(&self, fields: &mut Vec<Field>) {
        named(fields, "name", &self.name);
        if let Some(altitude) = self.altitude_ft {
            within::<Altitude>(fields, "altitude_ft", altitude);
        }
    }
}
