//! Load tables: what a tire carries at a cold pressure.
//!
//! The steps are those of the charts in force for the tire's size and load range, up to its
//! sidewall's pressure, where the sidewall itself says what it carries. Between two steps a tire
//! carries what lies on the line between them; a load needs the lowest step that carries it, as
//! tire makers' load and inflation tables are read. Below the first step nothing is promised,
//! and beyond the rated one nothing is added: 49 CFR 571.119 S6.5(d), 393.75(g).

use crate::Quantity;
use crate::facts::chart::{Chart, ChartKind, Fitment, LoadStep, Rows, Verified};
use crate::facts::model::Model;
use crate::facts::vehicle::Where;
use crate::world::World;
use chrono::{DateTime, Utc};
use uuid::Uuid;

/// What the sidewall allows a tire in this place; none where it has no rating for it.
pub(crate) fn sidewall_lb(model: &Model, place: Where) -> Option<Quantity> {
    if place == Where::Single { Some(model.single_lb) } else { model.dual_lb }
}

/// One step of a table.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Step {
    psi: Quantity,
    load_lb: Quantity,
    /// It was written down from memory.
    memory: bool,
    /// The entry that gave it; none for what the sidewall says.
    chart: Option<Uuid>,
}

/// What was read from a table.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Reading {
    /// A load or a pressure.
    pub(crate) amount: Quantity,
    /// A row that it was read from was written down from memory.
    pub(crate) memory: bool,
    /// The entries that gave these rows.
    pub(crate) charts: Vec<Uuid>,
}

impl Reading {
    fn of(amount: Quantity, steps: &[Step]) -> Reading {
        let mut charts: Vec<Uuid> = steps.iter().filter_map(|step| step.chart).collect();
        charts.dedup();
        Reading { amount, memory: steps.iter().any(|step| step.memory), charts }
    }

    /// Said after whatever was found with it.
    pub(crate) fn mark(&self) -> &'static str {
        if self.memory { " That row is from memory: ask the tire's maker." } else { "" }
    }
}

/// The steps of one tire in one fitment, rising; never empty.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct LoadTable(Vec<Step>);

impl LoadTable {
    /// The table of a model in this place at a moment; none where no chart in force has its
    /// size, or the sidewall rates it for no such place.
    pub(crate) fn of(
        world: &World,
        model: &Model,
        place: Where,
        at: DateTime<Utc>,
    ) -> Option<LoadTable> {
        let charts = world.charts(ChartKind::LoadInflation, at);
        LoadTable::from_charts(charts, model, place)
    }

    fn from_charts<'a>(
        charts: impl IntoIterator<Item = (&'a Chart, Uuid)>,
        model: &Model,
        place: Where,
    ) -> Option<LoadTable> {
        let fitment = if place == Where::Single { Fitment::Single } else { Fitment::Dual };
        let (rated_psi, rated_lb) = (model.sidewall_psi, sidewall_lb(model, place)?);
        let speaks_of_it = |row: &&LoadStep| {
            row.size == model.size
                && row.fitment == fitment
                && row.load_range.as_ref().is_none_or(|range| *range == model.load_range)
        };
        let mut steps = Vec::new();
        for (chart, entry) in charts {
            let Rows::LoadInflation(rows) = &chart.rows else { continue };
            steps.extend(rows.iter().filter(speaks_of_it).map(|row| Step {
                psi: row.psi,
                load_lb: row.load_lb.min(rated_lb),
                memory: row.evidence == Verified::Memory,
                chart: Some(entry),
            }));
        }
        if steps.is_empty() {
            return None;
        }
        // Where several charts speak of a pressure, the one that promises least counts.
        steps.sort_by_key(|step| (step.psi, step.load_lb));
        steps.dedup_by_key(|step| step.psi);
        steps.retain(|step| step.psi < rated_psi);
        steps.push(Step { psi: rated_psi, load_lb: rated_lb, memory: false, chart: None });
        Some(LoadTable(steps))
    }

    /// What one tire carries at this cold pressure.
    pub(crate) fn capacity(&self, psi: Quantity) -> Reading {
        let above = self.0.partition_point(|step| step.psi <= psi);
        match (above.checked_sub(1).map(|at| self.0[at]), self.0.get(above)) {
            (None, _) => Reading::of(Quantity::ZERO, &self.0[..1]),
            (Some(step), None) => Reading::of(step.load_lb, &[step]),
            (Some(step), _) if step.psi == psi => Reading::of(step.load_lb, &[step]),
            (Some(low), Some(high)) => Reading::of(between(low, *high, psi), &[low, *high]),
        }
    }

    /// The cold pressure that tires need which carry this together: never more than the
    /// sidewall's, whatever the load.
    pub(crate) fn needed_psi(&self, load_lb: Quantity, tires: i64) -> Reading {
        let carries = |step: &&Step| step.load_lb.times(tires) >= load_lb;
        let step = self.0.iter().find(carries).unwrap_or(&self.0[self.0.len() - 1]);
        Reading::of(step.psi, &[*step])
    }
}

/// On the line between two steps, rounded down.
fn between(low: Step, high: Step, psi: Quantity) -> Quantity {
    let (rise, run) = ((high.load_lb - low.load_lb).hundredths(), high.psi - low.psi);
    let part = rise * (psi - low.psi).hundredths() / run.hundredths();
    low.load_lb + Quantity::from_hundredths(part)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::{Value, json};

    /// The rows that the scenarios use; where each comes from stands beside it.
    const ROWS: &str = include_str!("../tests/data/load_inflation.csv");

    fn chart() -> Chart {
        let mut reader = csv::Reader::from_reader(ROWS.as_bytes());
        let row = |row: csv::StringRecord| {
            let evidence = if row[5].starts_with("seen") { "seen" } else { "memory" };
            json!({"size": &row[0], "fitment": &row[1], "psi": row[2].parse::<f64>().unwrap(),
                "load_lb": row[3].parse::<f64>().unwrap(), "evidence": evidence})
        };
        let rows: Vec<Value> = reader.records().map(|record| row(record.unwrap())).collect();
        let body = json!({"name": "loads", "source": {"document": "rows", "edition": "1"},
            "rows": {"load_inflation": rows}});
        serde_json::from_value(body).unwrap()
    }

    fn model(load_range: &str, sidewall_psi: u32, single_lb: u32, dual_lb: u32) -> Model {
        let body = json!({"maker": "Invented", "name": "one", "size": "295/75R22.5",
            "load_range": load_range, "construction": "steel_radial", "tube_type": false,
            "sidewall_psi": sidewall_psi, "single_lb": single_lb, "dual_lb": dual_lb,
            "rim_in": 22.5, "rim_widths_in": [8.25], "new_tread_32nds": 22});
        serde_json::from_value(body).unwrap()
    }

    fn table(model: &Model, place: Where) -> LoadTable {
        LoadTable::from_charts([(&chart(), Uuid::from_u128(1))], model, place).unwrap()
    }

    fn psi(units: f64) -> Quantity {
        Quantity::exact(units).unwrap()
    }

    /// The load ranges G and H of 295/75R22.5: 6,175 lb at 110 psi and 6,610 lb at 120 psi
    /// single (sttc.com/ply-rating), 5,675 lb and 6,005 lb dual (fleetequipmentmag.com, best tire
    /// pressure). Rows that were seen are unmarked, rows from memory are marked.
    #[test]
    fn a_tire_carries_what_its_step_says() {
        let (g, h) = (model("G", 110, 6175, 5675), model("H", 120, 6610, 6005));
        let at = |model: &Model, place, pressure| table(model, place).capacity(psi(pressure));
        for (model, place, pressure, load_lb, memory) in [
            (&g, Where::Single, 110.0, 6175, false),
            (&h, Where::Single, 110.0, 6175, false),
            (&h, Where::Single, 120.0, 6610, false),
            (&g, Where::Outer, 110.0, 5675, false),
            (&h, Where::Inner, 120.0, 6005, false),
            (&g, Where::Single, 105.0, 5980, false),
            (&g, Where::Outer, 85.0, 4690, false),
            (&g, Where::Outer, 100.0, 5260, true),
        ] {
            let read = at(model, place, pressure);
            assert_eq!((read.amount, read.memory), (Quantity::whole(load_lb), memory));
        }
        // More air than the sidewall allows carries no more; too little carries nothing.
        assert_eq!(at(&g, Where::Single, 130.0).amount, Quantity::whole(6175));
        assert_eq!(at(&g, Where::Single, 69.99).amount, Quantity::ZERO);
    }

    /// Worked by hand: 5,070 lb at 95 psi and 5,260 lb at 100 psi make 5,146 lb at 97 psi.
    #[test]
    fn between_two_steps_it_carries_what_lies_between() {
        let table = table(&model("G", 110, 6175, 5675), Where::Outer);
        let read = table.capacity(psi(97.0));
        assert_eq!((read.amount, read.memory), (Quantity::whole(5146), true));
        assert_eq!(read.charts, [Uuid::from_u128(1)]);
    }

    /// 4,250 lb on each of four needs 75 psi or more (a heavy-duty magazine of December 2014),
    /// and 4,520 lb is underinflated at 75 psi (truckinginfo.com, July 2013).
    #[test]
    fn a_load_needs_the_lowest_step_that_carries_it() {
        let table = table(&model("G", 110, 6175, 5675), Where::Outer);
        let need = |load_lb: i64| table.needed_psi(Quantity::whole(load_lb), 4).amount;
        assert_eq!(need(4 * 4250), Quantity::whole(75));
        assert!(need(4 * 4520) > Quantity::whole(75));
        assert_eq!(need(4 * 5260), Quantity::whole(100));
        assert_eq!(need(4 * 5260 + 1), Quantity::whole(105));
        assert_eq!(need(4), Quantity::whole(70), "never below the first step");
        assert_eq!(need(90_000), Quantity::whole(110), "never beyond the sidewall's pressure");
    }

    /// A chart of another size or load range says nothing, and one for several ranges never
    /// more than the sidewall.
    #[test]
    fn a_table_is_of_its_tire() {
        let (chart, g) = (chart(), model("G", 110, 6175, 5675));
        let charts = || [(&chart, Uuid::from_u128(1))];
        let other = Model { size: "11R17.5".to_owned(), ..g.clone() };
        assert_eq!(LoadTable::from_charts(charts(), &other, Where::Single), None);
        let no_dual = Model { dual_lb: None, ..g.clone() };
        assert_eq!(LoadTable::from_charts(charts(), &no_dual, Where::Outer), None);
        let weak = Model { single_lb: Quantity::whole(5000), ..g };
        let table = LoadTable::from_charts(charts(), &weak, Where::Single).unwrap();
        assert_eq!(table.capacity(psi(100.0)).amount, Quantity::whole(5000));
    }

    proptest! {
        /// A tire carries no less with more air, and at the pressure that a load needs it
        /// carries that load, unless no pressure does.
        #[test]
        fn more_air_carries_no_less(one in 0i64..14_000, more in 0i64..3_000, load in 1i64..6_000) {
            let table = table(&model("G", 110, 6175, 5675), Where::Outer);
            let at = |hundredths| table.capacity(Quantity::from_hundredths(hundredths)).amount;
            prop_assert!(at(one) <= at(one + more));
            let load = Quantity::whole(load);
            let needed = table.needed_psi(load, 1).amount;
            prop_assert_eq!(at(needed.hundredths()) >= load, load <= Quantity::whole(5675));
        }
    }
}
