//! Asking before the work whether a rule would stop it.

use crate::auth::Caller;
use crate::input::Query;
use crate::problem::{self, Code, Details, Problem};
use crate::shapes::on_record;
use crate::state::State;
use crate::stopping::StoppingRule;
use actix_web::{HttpResponse, get, web};
use rules::ask::{Asked, Question, ask};
use rules::entry::{Reason, Sender};
use rules::facts::vehicle::Position;
use rules::table::{self, Class};
use rules::{Field, Quantity, Subject, SubjectKind};
use serde::{Deserialize, Serialize};
use store::{Connection, load, read};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// What somebody wants to do with a casing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Purpose {
    /// Release it from the cage.
    Release,
    /// Mount it on a wheel.
    Mount,
    /// Hold it above its operating pressure in a cage.
    Hold,
    /// Install it on a vehicle.
    Install,
    /// Air it up again in a cage, mounted as it is.
    Inflate,
}

/// The highest pressure that can be asked about, as in entries.
const HIGHEST_PSI: Quantity = Quantity::whole(200);

/// What is asked.
#[derive(Clone, Copy, Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Asking {
    /// What somebody wants to do.
    #[serde(rename = "for")]
    #[param(inline, example = "release")]
    purpose: Purpose,
    /// Release: the pressure it would go to work with.
    #[param(value_type = Option<f64>, example = 100, multiple_of = 0.01, minimum = 0, maximum = 200)]
    operating_psi: Option<Quantity>,
    /// Mount: the wheel. Needed there.
    wheel: Option<Uuid>,
    /// Mount, hold: the cage; without one, no rule on cages is asked.
    cage: Option<Uuid>,
    /// Hold: the gauge.
    gauge: Option<Uuid>,
    /// Hold: the set pressure it is meant for.
    #[param(value_type = Option<f64>, multiple_of = 0.01, minimum = 0, maximum = 200)]
    for_set_psi: Option<Quantity>,
    /// Install: the vehicle. Needed there.
    vehicle: Option<Uuid>,
    /// Install: the position. Needed there.
    #[param(inline)]
    position: Option<Position>,
}

impl Asking {
    fn question(&self) -> Result<Question, Problem> {
        for (name, psi) in
            [("operating_psi", self.operating_psi), ("for_set_psi", self.for_set_psi)]
        {
            if psi.is_some_and(|psi| psi < Quantity::ZERO || psi > HIGHEST_PSI) {
                return Err(wrong(name, "A pressure from 0 to 200 psi is expected."));
            }
        }
        let (question, used): (_, &[&str]) = match self.purpose {
            Purpose::Release => {
                (Question::Release { operating_psi: self.operating_psi }, &["operating_psi"])
            }
            Purpose::Mount => {
                let wheel = needed("wheel", self.wheel)?;
                (Question::Mount { wheel, cage: self.cage }, &["wheel", "cage"])
            }
            Purpose::Hold => {
                let Asking { cage, gauge, for_set_psi, .. } = *self;
                (Question::Hold { cage, gauge, for_set_psi }, &["cage", "gauge", "for_set_psi"])
            }
            Purpose::Install => {
                let vehicle = needed("vehicle", self.vehicle)?;
                let position = needed("position", self.position)?;
                (Question::Install { vehicle, position }, &["vehicle", "position"])
            }
            Purpose::Inflate => (Question::Inflate, &[]),
        };
        match self.given().find(|name| !used.contains(name)) {
            Some(name) => Err(wrong(name, "It is not asked here.")),
            None => Ok(question),
        }
    }

    fn given(&self) -> impl Iterator<Item = &'static str> {
        [
            ("operating_psi", self.operating_psi.is_some()),
            ("wheel", self.wheel.is_some()),
            ("cage", self.cage.is_some()),
            ("gauge", self.gauge.is_some()),
            ("for_set_psi", self.for_set_psi.is_some()),
            ("vehicle", self.vehicle.is_some()),
            ("position", self.position.is_some()),
        ]
        .into_iter()
        .filter_map(|(name, given)| given.then_some(name))
    }
}

fn needed<T>(name: &str, given: Option<T>) -> Result<T, Problem> {
    given.ok_or_else(|| wrong(name, "It is needed here."))
}

fn wrong(name: &str, say: &str) -> Problem {
    Problem::not_well_formed(Field::new(format!("?{name}"), say))
}

/// What the crew has to confirm.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ToAttest {
    /// The rule's id, for `attested`.
    #[schema(example = "release.seated")]
    pub id: String,
    /// What is confirmed, in plain words.
    #[schema(example = "Check beads and rings before it leaves the cage.")]
    pub say: String,
    /// Where the rule comes from.
    #[schema(example = "29 CFR 1910.177(f)(7)")]
    pub source: String,
}

/// Whether rules would stop it, for what is on record now. No decision: an entry sent
/// afterwards is judged by its own facts.
#[derive(Clone, Debug, Serialize, ToSchema)]
#[schema(as = CasingCheck)]
pub struct Answer {
    /// What was asked.
    #[serde(rename = "for")]
    pub purpose: Purpose,
    /// No rule stops it.
    pub allowed: bool,
    /// The rules that stop it, in the table's order: what to do next is their sentence.
    pub rules: Vec<StoppingRule>,
    /// What the entry has to name under `attested`.
    pub to_attest: Vec<ToAttest>,
    /// What holds whatever the ledger says.
    #[schema(example = json!(CAUTIONS))]
    pub cautions: [&'static str; 4],
}

/// Printed wherever inflation is described.
const CAUTIONS: [&str; 4] = [
    "Goggles and hearing protection on.",
    "Inflate remotely, everybody out of the trajectory.",
    "Local codes and licensed practice come first.",
    "The ledger does not make a tire safe.",
];

impl Answer {
    fn of(purpose: Purpose, asked: &Asked) -> Answer {
        let to_attest = asked.to_attest.iter().filter_map(|id| table::rule(id));
        Answer {
            purpose,
            allowed: asked.stops.is_empty(),
            rules: asked.stops.iter().map(StoppingRule::from).collect(),
            to_attest: to_attest
                .map(|rule| ToAttest {
                    id: rule.id.clone(),
                    say: rule.say.clone(),
                    source: rule.source.clone(),
                })
                .collect(),
            cautions: CAUTIONS,
        }
    }
}

/// How the document shows an answer.
fn example() -> Answer {
    let reason = Reason {
        rule: "release.extended".to_owned(),
        class: Class::Practice,
        evidence: vec![Uuid::from_u128(0x019c_b1d4_3a80_7000_8000_0000_0000_0001)],
        found: None,
    };
    let to_attest = ["release.seated", "release.cap"].map(str::to_owned).to_vec();
    Answer::of(Purpose::Release, &Asked { stops: vec![reason], to_attest })
}

/// Ask whether a rule would stop something
///
/// Nothing is written. What only the work will show is taken as it ought to be.
#[utoipa::path(
    tag = "casings",
    params(("id" = Uuid, Path, example = json!(on_record(SubjectKind::Casing)), description = "The casing."), Asking),
    responses(
        (status = 200, description = "The rules that would stop it, and what is to be confirmed.", body = Answer,
            example = json!(example())),
        (status = 422, description = "Something named is not on record.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::Impossible))),
    )
)]
#[get("/v1/casings/{id}/check")]
pub async fn check_casing(
    state: web::Data<State>,
    caller: Caller,
    id: web::Path<Uuid>,
    Query(asking): Query<Asking>,
) -> Result<HttpResponse, Problem> {
    let question = asking.question()?;
    let (org, person, casing, now) = (caller.org, caller.person, *id, state.clock.now());
    let command = question.command(casing, now.fixed_offset());
    let look = async |conn: &mut Connection| {
        if read::head(conn, org, Subject::casing(casing)).await?.is_none() {
            return Ok(None);
        }
        load::world(conn, org, person, std::slice::from_ref(&command)).await.map(Some)
    };
    let world = state.store.in_org(org, look).await?.ok_or_else(Problem::not_found)?;
    let dangling = question.dangling(&world, casing, now.fixed_offset());
    if !dangling.is_empty() {
        let named = |field: Field| Field::new(field.pointer.replacen('/', "?", 1), field.say);
        return Err(Problem::impossible(dangling.into_iter().map(named).collect()));
    }
    let sender = Sender { person, sent_at: None };
    let asked = ask(&world, now, sender, casing, &question);
    Ok(HttpResponse::Ok().json(Answer::of(asking.purpose, &asked)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn question(query: &str) -> Result<Question, Problem> {
        Query::<Asking>::read(query)?.0.question()
    }

    // Common practice, no published source: what is missing or not asked is named.
    #[test]
    fn a_question_has_what_it_needs_and_nothing_else() {
        let id = Uuid::from_u128(7);
        let position = "2RO".parse().unwrap();
        assert_eq!(
            question(&format!("for=install&vehicle={id}&position=2RO")).unwrap(),
            Question::Install { vehicle: id, position }
        );
        assert_eq!(
            question("for=release&operating_psi=100.5").unwrap(),
            Question::Release { operating_psi: Some(Quantity::from_hundredths(10050)) }
        );
        assert!(question("for=release&operating_psi=200").is_ok());
        assert!(question("for=hold&for_set_psi=0").is_ok());
        assert_eq!(question("for=inflate").unwrap(), Question::Inflate);
        for wrong in [
            "for=install&position=2RO",
            "for=mount",
            "for=inflate&wheel=00000000-0000-0000-0000-000000000007",
            "for=polish",
            "for=release&operating_psi=100.555",
            "for=release&operating_psi=200.01",
            "for=release&operating_psi=-0.01",
            "for=hold&for_set_psi=201",
            "for=install&vehicle=00000000-0000-0000-0000-000000000007&position=2XO",
            "",
        ] {
            assert!(question(wrong).is_err(), "{wrong}");
        }
    }

    // House rule: a sentence for crews has at most 25 plain words.
    #[test]
    fn cautions_are_short() {
        assert!(CAUTIONS.iter().all(|say| say.split_whitespace().count() <= 25));
    }
}
