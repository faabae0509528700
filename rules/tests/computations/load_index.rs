//! Load indices and speed symbols.

use super::{Check, rows};
use rules::load_index::{LoadIndexError, ServiceDescription, load_kg, speed_km_h};

fn means(written: &str) -> String {
    match written.parse::<ServiceDescription>() {
        Ok(ServiceDescription { single, dual, speed }) => {
            let dual = dual.map(|dual| format!(" dual {} kg", load_kg(dual).unwrap()));
            let (single, speed) = (load_kg(single).unwrap(), speed_km_h(speed).unwrap());
            format!("single {single} kg{} {speed} km/h", dual.unwrap_or_default())
        }
        Err(LoadIndexError::Form(_)) => "no service description".to_owned(),
        Err(LoadIndexError::Index(_)) => "no load index".to_owned(),
        Err(LoadIndexError::Speed(_)) => "no speed symbol".to_owned(),
        Err(LoadIndexError::Dual { .. }) => "dual above single".to_owned(),
        Err(error) => error.to_string(),
    }
}

pub fn descriptions() -> Vec<Check> {
    let check = |row: &csv::StringRecord| Check::same(&row[0], &row[1], means(&row[0]), &row[2]);
    rows("checks/service_descriptions.csv").iter().map(check).collect()
}

/// The pounds on a sidewall are rounded by themselves, but are those of the index.
pub fn pounds() -> Vec<Check> {
    let check = |row: &csv::StringRecord| {
        let published: f64 = row[1].parse().unwrap();
        let lb = f64::from(load_kg(row[0].parse().unwrap()).unwrap()) / 0.453_592_37;
        let within = published * row[2].parse::<f64>().unwrap() / 100.0;
        Check::near(format!("load index {}, pounds", &row[0]), published, lb, within, &row[3])
    };
    rows("checks/sidewall_loads.csv").iter().map(check).collect()
}
