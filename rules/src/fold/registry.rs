//! State of what is registered: vehicles, wheels, cages, gauges, people,
//! depots, models, recommendations, policy.

use super::Moment;
use crate::Quantity;
use crate::entry::{Entry, SubjectKind};
use crate::facts::cage::{Defect, Label};
use crate::facts::person::Ability;
use crate::facts::vehicle::AxleLoad;
use crate::facts::wheel::{Fault, WheelKind};
use crate::facts::{Body, Facts};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// One version of a body.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Version {
    /// From when it is in force.
    pub from: DateTime<Utc>,
    /// The entry that gave it.
    pub entry: Uuid,
    /// The entry's place among the subject's.
    pub n: u64,
    /// The body.
    pub body: Body,
}

/// The last look at a cage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Check {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// What was wrong.
    pub defects: Vec<Defect>,
    /// The warning label.
    pub label: Label,
}

/// A training or evaluation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Training {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// The kind of wheel.
    pub wheel_kind: WheelKind,
    /// What was shown.
    pub abilities: Vec<Ability>,
    /// It says train again.
    pub retrain: bool,
}

/// A calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Calibration {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// The last day on which it holds.
    pub until: NaiveDate,
}

/// A weighing of axles.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Weighing {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// What they carried.
    pub axles: Vec<AxleLoad>,
}

/// A reading of an odometer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Odometer {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// What it showed.
    pub odometer_mi: Quantity,
}

/// A wheel that may not be used.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Tag {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// What is wrong.
    pub faults: Vec<Fault>,
}

/// How many weighings of a vehicle are kept at hand.
const WEIGHINGS: usize = 64;

/// What is known of a registered thing.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Registry {
    /// Its bodies, in the order in which they came into force.
    pub versions: Vec<Version>,
    /// Cage: the last look.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub check: Option<Check>,
    /// Cage: the last incident.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub incident: Option<Moment>,
    /// Gauge: calibrations after registration, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub calibrations: Vec<Calibration>,
    /// Person: trainings and evaluations, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub trainings: Vec<Training>,
    /// Vehicle: the latest weighings, in order; older ones are in its history.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub weighings: Vec<Weighing>,
    /// Vehicle: the latest reading of its odometer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub odometer: Option<Odometer>,
    /// Wheel: tagged out of use, for good.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tagged: Option<Tag>,
}

impl Registry {
    /// The state after the first recorded entry.
    #[must_use]
    pub fn new(entry: &Entry) -> Registry {
        let mut registry = Registry::default();
        registry.apply(entry);
        registry
    }

    /// Reads the state of a subject of this kind.
    ///
    /// # Errors
    /// Where the JSON is not such a state.
    pub fn from_value(kind: SubjectKind, value: Value) -> Result<Registry, serde_json::Error> {
        #[derive(Deserialize)]
        struct Raw {
            versions: Vec<RawVersion>,
            check: Option<Check>,
            incident: Option<Moment>,
            #[serde(default)]
            calibrations: Vec<Calibration>,
            #[serde(default)]
            trainings: Vec<Training>,
            #[serde(default)]
            weighings: Vec<Weighing>,
            odometer: Option<Odometer>,
            tagged: Option<Tag>,
        }
        #[derive(Deserialize)]
        struct RawVersion {
            from: DateTime<Utc>,
            entry: Uuid,
            n: u64,
            body: Value,
        }
        let raw: Raw = serde_json::from_value(value)?;
        let versions = raw
            .versions
            .into_iter()
            .map(|version| {
                let body = Body::read(kind, &version.body.to_string()).map_err(|field| {
                    serde::de::Error::custom(format!("{}: {}", field.pointer, field.say))
                })?;
                Ok(Version { from: version.from, entry: version.entry, n: version.n, body })
            })
            .collect::<Result<_, serde_json::Error>>()?;
        Ok(Registry {
            versions,
            check: raw.check,
            incident: raw.incident,
            calibrations: raw.calibrations,
            trainings: raw.trainings,
            weighings: raw.weighings,
            odometer: raw.odometer,
            tagged: raw.tagged,
        })
    }

    /// Takes in the next entry in the order of the fold.
    pub fn apply(&mut self, entry: &Entry) {
        if !entry.recorded() {
            return;
        }
        let moment = Moment::of(entry);
        match &entry.facts {
            Facts::Registered(body) | Facts::Changed(body) => self.add_version(entry, body),
            Facts::CageChecked(check) => {
                self.check =
                    Some(Check { moment, defects: check.defects.clone(), label: check.label });
            }
            Facts::CageIncident(_) => self.incident = Some(moment),
            Facts::Calibrated(calibrated) => {
                self.calibrations.push(Calibration { moment, until: calibrated.calibrated_until });
            }
            Facts::Trained(trained) => self.trainings.push(Training {
                moment,
                wheel_kind: trained.wheel_kind,
                abilities: trained.abilities.clone(),
                retrain: trained.retrain,
            }),
            Facts::Weighed(weighed) => {
                self.weighings.push(Weighing { moment, axles: weighed.axles.clone() });
                if self.weighings.len() > WEIGHINGS {
                    self.weighings.remove(0);
                }
            }
            Facts::OdometerRead(read) => {
                self.odometer = Some(Odometer { moment, odometer_mi: read.odometer_mi });
            }
            Facts::Tagged(tagged) => {
                self.tagged.get_or_insert(Tag { moment, faults: tagged.faults.clone() });
            }
            _ => {}
        }
    }

    /// A version holds from the later of its time and its predecessor's start;
    /// a lowered set pressure from its recording, never earlier.
    fn add_version(&mut self, entry: &Entry, body: &Body) {
        let before = self.versions.last();
        let lowered = before.is_some_and(|before| lowers_set_pressure(&before.body, body));
        let own = if lowered { entry.at().max(entry.recorded_at) } else { entry.at() };
        let from = before.map_or(own, |before| before.from.max(own));
        self.versions.push(Version { from, entry: entry.id, n: entry.n, body: body.clone() });
    }

    /// The version in force at a moment; the first where none was yet.
    #[must_use]
    pub fn at(&self, at: DateTime<Utc>) -> Option<&Version> {
        self.versions.iter().rev().find(|version| version.from <= at).or(self.versions.first())
    }

    /// Vehicle: what this axle carried when it was last weighed up to a moment.
    #[must_use]
    pub fn axle_load(&self, axle: u8, at: DateTime<Utc>) -> Option<(Moment, Quantity)> {
        let past = self.weighings.iter().rev().filter(|weighing| weighing.moment.at <= at);
        past.flat_map(|weighing| weighing.axles.iter().map(|one| (weighing.moment, one)))
            .find(|(_, one)| one.axle == axle)
            .map(|(moment, one)| (moment, one.load_lb))
    }

    /// The newest version, whatever the moment.
    #[must_use]
    pub fn newest(&self) -> Option<&Version> {
        self.versions.last()
    }
}

fn lowers_set_pressure(before: &Body, after: &Body) -> bool {
    let (Body::Vehicle(before), Body::Vehicle(after)) = (before, after) else {
        return false;
    };
    before.axles.iter().zip(&after.axles).any(|(before, after)| after.set_psi < before.set_psi)
}
