//! Makers' recommendations of a higher pressure, 29 CFR 1910.177(g)(9).

use super::bounds::{Psi, ShortText, named, within};
use super::{Checked, Field};
use crate::Quantity;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// A document in which a tire maker allows more than the sidewall's pressure.
/// It lifts the sidewall's limit only; the wheel's rating stays.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RecommendationBody)]
pub struct Recommendation {
    /// The maker.
    #[schema(example = "Merrow")]
    #[schema(value_type = ShortText)]
    pub maker: String,
    /// The document.
    #[schema(example = "service letter 12")]
    #[schema(value_type = ShortText)]
    pub document: String,
    /// The models it speaks of.
    #[schema(min_items = 1, max_items = 100)]
    pub models: Vec<Uuid>,
    /// The highest pressure it allows.
    #[schema(value_type = Psi)]
    pub highest_psi: Quantity,
}

impl Checked for Recommendation {
    fn check(&self, fields: &mut Vec<Field>) {
        named(fields, "maker", &self.maker);
        named(fields, "document", &self.document);
        within::<Psi>(fields, "highest_psi", self.highest_psi);
        if self.models.is_empty() || self.models.len() > 100 {
            fields.push(Field::new("/facts/models", "One to a hundred models are expected."));
        }
    }
}
