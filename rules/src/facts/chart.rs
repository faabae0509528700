//! Charts that decisions are read from: which rim parts belong together, what a tire carries at
//! a pressure, how far an injury may be repaired.

mod file;

use super::bounds::{Load, Psi, RepairSize, ShortText, named, within};
use super::casing::{RepairKind, RepairPlace};
use super::{Checked, Field};
use crate::Quantity;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use utoipa::openapi::schema::{
    AdditionalProperties, ArrayBuilder, ObjectBuilder, OneOfBuilder, Schema,
};
use utoipa::openapi::{Ref, RefOr};
use utoipa::{PartialSchema, ToSchema};

/// The most rows of a chart.
const ROWS: usize = 1000;

/// A chart. In force is what its newest version at the time of the work says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ChartBody)]
pub struct Chart {
    /// What the crew calls it.
    #[schema(example = "Ring matching", value_type = ShortText)]
    pub name: String,
    /// Where its rows were taken from.
    pub source: Source,
    /// What it says. A chart stays of the kind that it was registered with.
    pub rows: Rows,
}

/// The document that a chart was taken from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ChartSource)]
pub struct Source {
    /// The document.
    #[schema(example = "rim matching chart", value_type = ShortText)]
    pub document: String,
    /// Its edition.
    #[schema(example = "2025", value_type = ShortText)]
    pub edition: String,
}

/// The rows of a chart, by its kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Rows {
    /// Rim parts that belong together, by their stamps, 29 CFR 1910.177(e)(1).
    RimParts(Vec<RimParts>),
    /// What a tire carries at a cold pressure.
    LoadInflation(Vec<LoadStep>),
    /// The largest injuries that are repaired.
    RepairLimits(Vec<RepairLimit>),
}

impl PartialSchema for Rows {
    fn schema() -> RefOr<Schema> {
        let one = |name: &str, row: Cow<'_, str>, says: &str| {
            let list = ArrayBuilder::new().min_items(Some(1)).max_items(Some(ROWS));
            ObjectBuilder::new()
                .property(name, list.items(Ref::from_schema_name(row)))
                .required(name)
                .additional_properties(Some(AdditionalProperties::FreeForm(false)))
                .description(Some(says))
        };
        OneOfBuilder::new()
            .item(one("rim_parts", RimParts::name(), "Rim parts that belong together."))
            .item(one("load_inflation", LoadStep::name(), "What a tire carries at a pressure."))
            .item(one("repair_limits", RepairLimit::name(), "The largest injuries repaired."))
            .description(Some("The rows of a chart, by its kind."))
            .into()
    }
}

impl ToSchema for Rows {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("ChartRows")
    }

    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        add::<RimParts>(schemas);
        add::<LoadStep>(schemas);
        add::<RepairLimit>(schemas);
    }
}

/// Adds a schema and what it is made of.
fn add<T: ToSchema>(schemas: &mut Vec<(String, RefOr<Schema>)>) {
    schemas.push((T::name().into_owned(), T::schema()));
    T::schemas(schemas);
}

/// The kinds of chart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ChartKind {
    /// Rim parts that belong together.
    RimParts,
    /// What a tire carries at a cold pressure.
    LoadInflation,
    /// The largest injuries that are repaired.
    RepairLimits,
}

impl ChartKind {
    /// Every kind of chart.
    pub const ALL: [ChartKind; 3] =
        [ChartKind::RimParts, ChartKind::LoadInflation, ChartKind::RepairLimits];

    /// The name used in JSON.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            ChartKind::RimParts => "rim_parts",
            ChartKind::LoadInflation => "load_inflation",
            ChartKind::RepairLimits => "repair_limits",
        }
    }
}

/// Parts of a multi-piece wheel that may be put together, as they are stamped.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RimPartsRow)]
pub struct RimParts {
    /// The rim base.
    #[schema(example = "LB-20-75", value_type = ShortText)]
    pub base: String,
    /// The side ring.
    #[schema(example = "LS-20", value_type = ShortText)]
    pub side_ring: String,
    /// The lock ring; left out where the side ring locks itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "LK-20", value_type = Option<ShortText>)]
    pub lock_ring: Option<String>,
}

/// How a tire is fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Fitment {
    /// Alone at its end of the axle.
    Single,
    /// One of two.
    Dual,
}

/// How far a row was verified.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = RowEvidence)]
pub enum Verified {
    /// Read in its source.
    Seen,
    /// Written down from memory.
    Memory,
}

/// What a tire carries at a cold pressure.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = LoadInflationRow)]
pub struct LoadStep {
    /// The size, as a tire model has it.
    #[schema(example = "295/75R22.5", value_type = ShortText)]
    pub size: String,
    /// The load range or ply rating; left out where every one carries the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "G", value_type = Option<ShortText>)]
    pub load_range: Option<String>,
    /// How it is fitted.
    pub fitment: Fitment,
    /// The cold pressure.
    #[schema(value_type = Psi)]
    pub psi: Quantity,
    /// What one tire carries at it.
    #[schema(value_type = Load)]
    pub load_lb: Quantity,
    /// How far the row was verified.
    pub evidence: Verified,
    /// Where the row comes from, where that is not the chart's own source.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<ShortText>)]
    pub source: Option<String>,
}

/// The largest injury that is repaired so at this place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RepairLimitRow)]
pub struct RepairLimit {
    /// How.
    pub repair: RepairKind,
    /// Where.
    pub place: RepairPlace,
    /// The largest width once it was cleaned out, 32nds of an inch.
    #[schema(value_type = RepairSize)]
    pub size_32nds: Quantity,
    /// The largest length across; the same as the width where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<RepairSize>)]
    pub across_32nds: Option<Quantity>,
    /// The most of them a casing may have; left out where the chart does not say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<u32>, minimum = 1, maximum = 100)]
    pub most: Option<Quantity>,
}

impl Rows {
    /// The kind of chart that they make.
    #[must_use]
    pub fn kind(&self) -> ChartKind {
        match self {
            Rows::RimParts(_) => ChartKind::RimParts,
            Rows::LoadInflation(_) => ChartKind::LoadInflation,
            Rows::RepairLimits(_) => ChartKind::RepairLimits,
        }
    }

    /// How many there are.
    fn count(&self) -> usize {
        match self {
            Rows::RimParts(rows) => rows.len(),
            Rows::LoadInflation(rows) => rows.len(),
            Rows::RepairLimits(rows) => rows.len(),
        }
    }

    fn wrong(&self) -> Vec<Wrong> {
        fn all<R: Row>(rows: &[R]) -> Vec<Wrong> {
            wrong_in(&rows.iter().enumerate().collect::<Vec<_>>())
        }
        match self {
            Rows::RimParts(rows) => all(rows),
            Rows::LoadInflation(rows) => all(rows),
            Rows::RepairLimits(rows) => all(rows),
        }
    }
}

impl Checked for Chart {
    fn check(&self, fields: &mut Vec<Field>) {
        named(fields, "name", &self.name);
        named(fields, "source/document", &self.source.document);
        named(fields, "source/edition", &self.source.edition);
        let at = format!("/facts/rows/{}", self.rows.kind().name());
        if !(1..=ROWS).contains(&self.rows.count()) {
            fields.push(Field::new(&at, format!("1 to {ROWS} rows are expected.")));
            return;
        }
        fields.extend(self.rows.wrong().into_iter().map(|wrong| {
            let as_numbered = |row: usize| format!("row {}", row + 1);
            Field::new(format!("{at}/{}", wrong.place()), wrong.say(as_numbered))
        }));
    }
}

/// What is wrong in a row of a chart.
struct Wrong {
    /// The row, from 0.
    row: usize,
    /// The column; none where the row as a whole is wrong.
    column: Option<String>,
    what: What,
}

enum What {
    /// A value cannot be.
    Value(String),
    /// This row says the same.
    Doubled(usize),
    /// This row says something else of the same.
    Contradicted(usize),
}

impl Wrong {
    fn value(row: usize, column: impl Into<String>, say: impl Into<String>) -> Wrong {
        Wrong { row, column: Some(column.into()), what: What::Value(say.into()) }
    }

    fn row(row: usize, say: String) -> Wrong {
        Wrong { row, column: None, what: What::Value(say) }
    }

    /// Where it stands, as the end of a pointer.
    fn place(&self) -> String {
        match &self.column {
            Some(column) => format!("{}/{column}", self.row),
            None => self.row.to_string(),
        }
    }

    /// What is wrong; other rows are named as this names them.
    fn say(&self, name: impl Fn(usize) -> String) -> String {
        match &self.what {
            What::Value(say) => say.clone(),
            What::Doubled(other) => {
                format!("That is in {} already. Leave one of them out.", name(*other))
            }
            What::Contradicted(other) => {
                format!("It contradicts {}. Look both up and leave one out.", name(*other))
            }
        }
    }
}

/// How two rows go together.
#[derive(PartialEq)]
enum Together {
    /// They are about different things, or agree.
    Fit,
    /// They say the same.
    Doubled,
    /// They cannot both be so.
    Contradict,
}

/// A row of a chart, and what a file calls its columns.
trait Row: DeserializeOwned {
    /// Its columns.
    const COLUMNS: &'static [file::Column];

    /// Names every value that can never be, with pointers below `/facts`.
    fn check(&self, fields: &mut Vec<Field>);

    /// How it goes together with another.
    fn beside(&self, other: &Self) -> Together;
}

/// What is wrong in these rows, each with its number.
fn wrong_in<R: Row>(rows: &[(usize, &R)]) -> Vec<Wrong> {
    let mut wrong = Vec::new();
    for (i, (number, row)) in rows.iter().enumerate() {
        let mut fields = Vec::new();
        row.check(&mut fields);
        wrong.extend(fields.into_iter().map(|field| {
            let column = field.pointer.trim_start_matches("/facts/");
            Wrong::value(*number, column, field.say)
        }));
        let others = rows[..i].iter().map(|(other, before)| (*other, row.beside(before)));
        let found = others.into_iter().find_map(|(other, together)| match together {
            Together::Fit => None,
            Together::Doubled => Some(What::Doubled(other)),
            Together::Contradict => Some(What::Contradicted(other)),
        });
        wrong.extend(found.map(|what| Wrong { row: *number, column: None, what }));
    }
    wrong
}

fn doubled_if(same: bool) -> Together {
    if same { Together::Doubled } else { Together::Contradict }
}

impl Row for RimParts {
    const COLUMNS: &'static [file::Column] = file::RIM_PARTS;

    fn check(&self, fields: &mut Vec<Field>) {
        named(fields, "base", &self.base);
        named(fields, "side_ring", &self.side_ring);
        if let Some(lock_ring) = &self.lock_ring {
            named(fields, "lock_ring", lock_ring);
        }
    }

    /// A side ring locks itself on a base, or needs a lock ring there.
    fn beside(&self, other: &RimParts) -> Together {
        if (&self.base, &self.side_ring) != (&other.base, &other.side_ring) {
            return Together::Fit;
        }
        match (&self.lock_ring, &other.lock_ring) {
            (Some(own), Some(theirs)) if own != theirs => Together::Fit,
            (own, theirs) => doubled_if(own == theirs),
        }
    }
}

impl Row for LoadStep {
    const COLUMNS: &'static [file::Column] = file::LOAD_INFLATION;

    fn check(&self, fields: &mut Vec<Field>) {
        named(fields, "size", &self.size);
        for (name, text) in [("load_range", &self.load_range), ("source", &self.source)] {
            if let Some(text) = text {
                named(fields, name, text);
            }
        }
        within::<Psi>(fields, "psi", self.psi);
        within::<Load>(fields, "load_lb", self.load_lb);
    }

    /// At one pressure a tire carries one load, and with more air never less.
    fn beside(&self, other: &LoadStep) -> Together {
        let of = |step: &LoadStep| (step.size.clone(), step.load_range.clone(), step.fitment);
        if of(self) != of(other) {
            return Together::Fit;
        }
        if self.psi == other.psi {
            return doubled_if(self.load_lb == other.load_lb);
        }
        match (self.psi > other.psi) == (self.load_lb >= other.load_lb)
            || self.load_lb == other.load_lb
        {
            true => Together::Fit,
            false => Together::Contradict,
        }
    }
}

impl Row for RepairLimit {
    const COLUMNS: &'static [file::Column] = file::REPAIR_LIMITS;

    fn check(&self, fields: &mut Vec<Field>) {
        within::<RepairSize>(fields, "size_32nds", self.size_32nds);
        if let Some(across) = self.across_32nds {
            within::<RepairSize>(fields, "across_32nds", across);
        }
        let counts = |most: Quantity| (1..=100).map(Quantity::whole).any(|whole| whole == most);
        if self.most.is_some_and(|most| !counts(most)) {
            let say = "A whole number from 1 to 100 is expected.";
            fields.push(Field::new("/facts/most", say));
        }
    }

    fn beside(&self, other: &RepairLimit) -> Together {
        if (self.repair, self.place) != (other.repair, other.place) {
            return Together::Fit;
        }
        doubled_if(self == other)
    }
}
