//! Cages and barriers, 29 CFR 1910.177(b) and (d)(3).

use super::bounds::{Psi, ShortText, named, within};
use super::{Checked, Field, shape};
use crate::Quantity;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// What holds the parts back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CageKind {
    /// A restraining device that holds everything.
    Cage,
    /// A fence or wall between a single-piece wheel and the people.
    Barrier,
}

/// Who certified a structural repair, 29 CFR 1910.177(d)(3)(iv).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Certifier {
    /// The maker of the cage.
    Manufacturer,
    /// A Registered Professional Engineer.
    RegisteredProfessionalEngineer,
    /// Somebody else: not enough.
    Other,
}

/// A structural repair of a cage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StructuralRepair {
    /// What was done.
    #[schema(example = "new bar welded")]
    #[schema(value_type = ShortText)]
    pub what: String,
    /// Who certified its strength.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate_by: Option<Certifier>,
}

impl StructuralRepair {
    /// Certified by one of the two that the regulation names.
    #[must_use]
    pub fn certified(&self) -> bool {
        matches!(
            self.certificate_by,
            Some(Certifier::Manufacturer | Certifier::RegisteredProfessionalEngineer)
        )
    }
}

/// A cage or barrier.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = CageBody)]
pub struct Cage {
    /// What the crew calls it.
    #[schema(example = "Elmford cage 1")]
    #[schema(value_type = ShortText)]
    pub name: String,
    /// What it is.
    pub kind: CageKind,
    /// Where it stands; its days are this depot's days.
    pub depot: Uuid,
    /// The highest maximum pressure of a tire it is built for; it must stand
    /// 150 % of that.
    #[schema(value_type = Psi)]
    pub largest_tire_psi: Quantity,
    /// The last structural repair.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub structural_repair: Option<StructuralRepair>,
}

impl Checked for Cage {
    fn check(&self, fields: &mut Vec<Field>) {
        named(fields, "name", &self.name);
        within::<Psi>(fields, "largest_tire_psi", self.largest_tire_psi);
        if let Some(repair) = &self.structural_repair {
            named(fields, "structural_repair/what", &repair.what);
        }
    }
}

/// What takes a cage out of service, 29 CFR 1910.177(d)(3)(iii).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Defect {
    CrackedWeld,
    CrackedPart,
    BrokenPart,
    BentPart,
    Pitted,
    Other,
}

/// The state of the warning label.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Label {
    /// There and readable.
    Readable,
    /// There and not readable.
    Unreadable,
    /// Not there.
    Missing,
}

/// `cage_checked`: a cage or barrier was looked over, before each day's use.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CageChecked {
    /// What is wrong with it; a later check without them closes them.
    pub defects: Vec<Defect>,
    /// The warning label.
    pub label: Label,
}

shape!(CageChecked, |_checked, _fields| {});

/// `cage_incident`: something let go in the cage; it is looked over before its next use.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CageIncident {
    /// What happened.
    #[schema(example = "sidewall let go during inflation")]
    #[schema(value_type = ShortText)]
    pub what: String,
}

shape!(CageIncident, |incident, fields| named(fields, "what", &incident.what));
