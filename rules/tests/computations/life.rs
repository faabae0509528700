//! Casing life and its cost.

use super::{Check, numbers, rows, statistics};
use rules::life::cost::Run;
use rules::life::{Survival, Watched, kaplan_meier, log_rank, weibull, wilson};
use serde_json::Value;

fn watched(set: &Value) -> Vec<Watched> {
    let ended = numbers(&set["events"]).into_iter().map(|event| event == 1.0);
    let times = numbers(&set["durations"]).into_iter();
    times.zip(ended).map(|(time, ended)| Watched { time, ended }).collect()
}

/// A number that may be missing on either side.
fn maybe(of: String, published: &Value, computed: Option<f64>, within: f64, source: &str) -> Check {
    match (published.as_f64(), computed) {
        (Some(published), Some(computed)) => Check::near(of, published, computed, within, source),
        (published, computed) => {
            Check::same(of, format!("{published:?}"), format!("{computed:?}"), source)
        }
    }
}

pub fn survival() -> Vec<Check> {
    let all = statistics();
    let mut checks = Vec::new();
    for (name, set) in all["kaplan_meier"].as_object().unwrap() {
        let survival = kaplan_meier(&watched(set), 0.95).unwrap();
        let source = format!("lifelines 0.30.3, statsmodels 0.15.0; data: {}", set["source"]);
        steps(name, set, &survival, &source, &mut checks);
        let (low, high) = survival.median_interval();
        let ends = &set["median_ci_loglog"];
        for (what, published, computed) in [
            ("median", &set["median"], survival.median()),
            ("median, low", &ends[0], low),
            ("median, high", &ends[1], high),
        ] {
            checks.push(maybe(format!("{name} {what}"), published, computed, 1e-9, &source));
        }
    }
    checks
}

fn steps(name: &str, set: &Value, survival: &Survival, source: &str, checks: &mut Vec<Check>) {
    let table = set["table"].as_array().unwrap();
    assert_eq!(table.len(), survival.steps.len(), "{name}");
    for (row, step) in table.iter().zip(&survival.steps) {
        let of = |what: &str| format!("{name} {what} at {}", row["t"]);
        for (what, computed) in
            [("at_risk", step.at_risk), ("events", step.ended), ("censored", step.censored)]
        {
            checks.push(Check::same(of(what), &row[what], computed, source));
        }
        checks.push(maybe(of("survival"), &row["survival"], Some(step.survival), 1e-9, source));
        // Where nothing is left, the reference has no standard error either, or a zero.
        if step.survival > 0.0 {
            let ends = &row["ci_loglog"];
            checks.push(maybe(of("standard error"), &row["se"], step.se, 1e-9, source));
            checks.push(maybe(of("low"), &ends[0], step.low, 1e-9, source));
            checks.push(maybe(of("high"), &ends[1], step.high, 1e-9, source));
        }
    }
}

pub fn two_groups() -> Vec<Check> {
    let all = statistics();
    let groups = &all["kaplan_meier"];
    let test =
        log_rank(&watched(&groups["leukemia_6mp"]), &watched(&groups["leukemia_placebo"])).unwrap();
    let published = &all["logrank_6mp_vs_placebo"];
    let source = "lifelines 0.30.3 logrank_test; data: Freireich et al. 1963 (Blood 21:699)";
    vec![
        maybe("chi-square".to_owned(), &published["chi2"], Some(test.statistic), 1e-9, source),
        maybe("p".to_owned(), &published["p"], Some(test.p), 1e-12, source),
    ]
}

pub fn fits() -> Vec<Check> {
    let all = statistics();
    let sets = &all["weibull"];
    let mut checks = Vec::new();
    for name in ["leukemia_6mp", "leukemia_placebo"] {
        let fit = weibull(&watched(&all["kaplan_meier"][name])).unwrap();
        let set = &sets[name];
        let source = "likelihood solved to full precision with SciPy 1.17.1, beside lifelines 0.30.3; data: Freireich et al. 1963";
        for (what, published, computed) in [
            ("scale", &set["exact_lambda"], fit.scale),
            ("shape", &set["exact_rho"], fit.shape),
            ("log-likelihood", &set["exact_loglik"], fit.log_likelihood),
            ("scale, standard error", &set["exact_se"]["lambda_"], fit.scale_se),
            ("shape, standard error", &set["exact_se"]["rho_"], fit.shape_se),
            ("covariance", &set["exact_se"]["cov"], fit.covariance),
            ("median", &set["median"], fit.quantile(0.5)),
            ("B10", &set["B10"], fit.quantile(0.1)),
            ("mean", &set["mean"], fit.mean()),
        ] {
            checks.push(maybe(format!("{name} {what}"), published, Some(computed), 1e-9, source));
        }
        // The library's own search ends where the likelihood is flat: close, not exact.
        let near = "lifelines 0.30.3 WeibullFitter, where its search ends";
        for (what, published, computed) in [
            ("scale", &set["lifelines_lambda"], fit.scale),
            ("shape", &set["lifelines_rho"], fit.shape),
            ("scale, standard error", &set["lifelines_se"]["lambda_"], fit.scale_se),
        ] {
            checks.push(maybe(format!("{name} {what}"), published, Some(computed), 1e-4, near));
        }
    }
    let set = &sets["ball_bearings"];
    let lives: Vec<Watched> =
        numbers(&set["data"]).into_iter().map(|time| Watched { time, ended: true }).collect();
    let fit = weibull(&lives).unwrap();
    let source = set["source"].to_string();
    for (what, published, computed) in [
        ("scale", &set["exact_scale"], fit.scale),
        ("shape", &set["exact_shape"], fit.shape),
        ("log-likelihood", &set["loglik"], fit.log_likelihood),
        ("median", &set["median"], fit.quantile(0.5)),
        ("B10", &set["B10"], fit.quantile(0.1)),
    ] {
        checks.push(maybe(format!("bearings {what}"), published, Some(computed), 1e-8, &source));
    }
    checks
}

pub fn shares() -> Vec<Check> {
    let all = statistics();
    let source = "statsmodels 0.15.0 proportion_confint, method wilson";
    let mut checks = Vec::new();
    for row in all["wilson"].as_array().unwrap() {
        let (count, of) = (row["k"].as_u64().unwrap(), row["n"].as_u64().unwrap());
        let confidence = row["conf"].as_f64().unwrap();
        let share = wilson(count, of, confidence).unwrap();
        for (what, published, computed) in [
            ("share", &row["phat"], share.rate),
            ("low", &row["low"], share.low),
            ("high", &row["high"], share.high),
        ] {
            let of = format!("{count} of {of} at {confidence}, {what}");
            checks.push(maybe(of, published, Some(computed), 1e-12, source));
        }
    }
    checks
}

pub fn costs() -> Vec<Check> {
    let cents = |sum: &str| -> i64 {
        sum.split('+').map(|part| (part.parse::<f64>().unwrap() * 100.0).round() as i64).sum()
    };
    let check = |row: &csv::StringRecord| {
        let number = |i: usize| row[i].parse::<f64>().unwrap();
        let paid = Run { cents: cents(&row[1]), worn_32nds: number(3), miles: number(4) };
        let net = paid.without_casing(cents(&row[2]));
        let computed = match &row[0] {
            what if what.ends_with("for each mile") => net.cents_per_mile(),
            what if what.ends_with("for each 32nd") => net.cents_per_32nd(),
            _ => net.unused_cents(5.0, 2.0),
        };
        Check::near(&row[0], number(5), computed.unwrap(), number(6), &row[7])
    };
    rows("checks/cost.csv").iter().map(check).collect()
}
