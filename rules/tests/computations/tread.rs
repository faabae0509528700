//! The slope through readings and the forecast of the pull point.

use super::{Check, numbers, rows, statistics};
use rules::tread::{forecast, theil_sen};
use serde_json::Value;

fn points(set: &Value) -> Vec<(f64, f64)> {
    numbers(&set["x"]).into_iter().zip(numbers(&set["y"])).collect()
}

pub fn slopes() -> Vec<Check> {
    let all = statistics();
    let mut checks = Vec::new();
    for (name, set) in all["theil_sen"].as_object().unwrap() {
        let slope = theil_sen(&points(set), 0.95).unwrap();
        let published = &set["separate"];
        for (what, computed) in [
            ("slope", slope.slope),
            ("intercept", slope.intercept()),
            ("low", slope.low),
            ("high", slope.high),
        ] {
            let source = format!("SciPy 1.17.1 theilslopes; data: {}", set["source"]);
            let published = published[what].as_f64().unwrap();
            checks.push(Check::near(format!("{name} {what}"), published, computed, 1e-9, &source));
        }
    }
    checks
}

pub fn pull_point() -> Vec<Check> {
    let all = statistics();
    let readings = points(&all["theil_sen"]["own_tread_wear_with_outlier"]);
    let forecast = forecast(&readings, 5.0, 0.95).unwrap();
    let check = |row: &csv::StringRecord| {
        let computed = match &row[0] {
            "32nds for each mile" => forecast.wear.slope,
            "miles for each 32nd" => forecast.per_32nd(),
            "odometer at 5/32" => forecast.at,
            "earliest at 5/32" => forecast.earliest,
            "latest at 5/32" => forecast.latest.unwrap(),
            what => panic!("{what}"),
        };
        let (published, within) = (row[1].parse().unwrap(), row[2].parse().unwrap());
        Check::near(&row[0], published, computed, within, &row[3])
    };
    rows("checks/wear.csv").iter().map(check).collect()
}
