//! Every route, who may use it, and what serves it. A route that is not listed is a 404.

use crate::problem::Problem;
use crate::things::{
    cages, charts, depots, gauges, models, people, recommendations, vehicles, wheels,
};
use crate::{
    accounts, casings, chart_files, check, docs, entries, health, policy, refusals, rules_list,
    sessions, tokens, units,
};
use actix_web::http::Method;
use rules::Role;
use utoipa_actix_web::service_config::ServiceConfig;

/// A method at an address, and the roles that may use it.
#[derive(Debug)]
pub struct Route {
    /// `GET`, `POST` …
    pub method: &'static str,
    /// The address, with its parameters in braces.
    pub path: &'static str,
    /// Its name in the API document, `verb_noun`.
    pub operation_id: &'static str,
    /// The roles that may use it; `None` is everybody, signed in or not.
    pub roles: Option<&'static [Role]>,
}

const PUBLIC: Option<&[Role]> = None;
const ANY_ROLE: Option<&[Role]> =
    Some(&[Role::Crew, Role::Office, Role::Manager, Role::Auditor, Role::Admin]);
const WRITERS: Option<&[Role]> = Some(&[Role::Crew, Role::Office, Role::Manager, Role::Admin]);
const OFFICE: Option<&[Role]> = Some(&[Role::Office, Role::Manager, Role::Admin]);
const ADMIN: Option<&[Role]> = Some(&[Role::Admin]);

const fn route(
    method: &'static str,
    path: &'static str,
    operation_id: &'static str,
    roles: Option<&'static [Role]>,
) -> Route {
    Route { method, path, operation_id, roles }
}

/// The table of routes and roles.
#[rustfmt::skip]
pub static ROUTES: &[Route] = &[
    route("POST",  "/v1/sessions",                 "create_session",        PUBLIC),
    route("POST",  "/v1/sessions/refresh",         "refresh_session",       PUBLIC),
    route("DELETE","/v1/sessions/current",         "delete_session",        ANY_ROLE),
    route("GET",   "/v1/people/{id}/account",      "get_account",           ADMIN),
    route("PUT",   "/v1/people/{id}/account",      "put_account",           ADMIN),
    route("POST",  "/v1/entries",                  "create_entry",          WRITERS),
    route("GET",   "/v1/entries/{id}",             "get_entry",             ANY_ROLE),
    route("GET",   "/v1/refusals",                 "list_refusals",         ANY_ROLE),
    route("GET",   "/v1/rules",                    "list_rules",            ANY_ROLE),
    route("GET",   "/v1/casings",                  "list_casings",          ANY_ROLE),
    route("GET",   "/v1/casings/{id}",             "get_casing",            ANY_ROLE),
    route("GET",   "/v1/casings/{id}/history",     "list_casing_history",   ANY_ROLE),
    route("GET",   "/v1/casings/{id}/check",       "check_casing",          ANY_ROLE),
    route("GET",   "/v1/units/{unit}",             "get_unit",              ANY_ROLE),
    route("POST",  "/v1/depots",                   "create_depot",          OFFICE),
    route("GET",   "/v1/depots",                   "list_depots",           ANY_ROLE),
    route("GET",   "/v1/depots/{id}",              "get_depot",             ANY_ROLE),
    route("PATCH", "/v1/depots/{id}",              "change_depot",          OFFICE),
    route("POST",  "/v1/people",                   "create_person",         OFFICE),
    route("GET",   "/v1/people",                   "list_people",           ANY_ROLE),
    route("GET",   "/v1/people/{id}",              "get_person",            ANY_ROLE),
    route("PATCH", "/v1/people/{id}",              "change_person",         OFFICE),
    route("POST",  "/v1/vehicles",                 "create_vehicle",        OFFICE),
    route("GET",   "/v1/vehicles",                 "list_vehicles",         ANY_ROLE),
    route("GET",   "/v1/vehicles/{id}",            "get_vehicle",           ANY_ROLE),
    route("PATCH", "/v1/vehicles/{id}",            "change_vehicle",        OFFICE),
    route("POST",  "/v1/wheels",                   "create_wheel",          OFFICE),
    route("GET",   "/v1/wheels",                   "list_wheels",           ANY_ROLE),
    route("GET",   "/v1/wheels/{id}",              "get_wheel",             ANY_ROLE),
    route("PATCH", "/v1/wheels/{id}",              "change_wheel",          OFFICE),
    route("POST",  "/v1/cages",                    "create_cage",           OFFICE),
    route("GET",   "/v1/cages",                    "list_cages",            ANY_ROLE),
    route("GET",   "/v1/cages/{id}",               "get_cage",              ANY_ROLE),
    route("PATCH", "/v1/cages/{id}",               "change_cage",           OFFICE),
    route("POST",  "/v1/gauges",                   "create_gauge",          OFFICE),
    route("GET",   "/v1/gauges",                   "list_gauges",           ANY_ROLE),
    route("GET",   "/v1/gauges/{id}",              "get_gauge",             ANY_ROLE),
    route("PATCH", "/v1/gauges/{id}",              "change_gauge",          OFFICE),
    route("POST",  "/v1/models",                   "create_model",          OFFICE),
    route("GET",   "/v1/models",                   "list_models",           ANY_ROLE),
    route("GET",   "/v1/models/{id}",              "get_model",             ANY_ROLE),
    route("PATCH", "/v1/models/{id}",              "change_model",          OFFICE),
    route("POST",  "/v1/recommendations",          "create_recommendation", OFFICE),
    route("GET",   "/v1/recommendations",          "list_recommendations",  ANY_ROLE),
    route("GET",   "/v1/recommendations/{id}",     "get_recommendation",    ANY_ROLE),
    route("PATCH", "/v1/recommendations/{id}",     "change_recommendation", OFFICE),
    route("POST",  "/v1/charts",                   "create_chart",          OFFICE),
    route("GET",   "/v1/charts",                   "list_charts",           ANY_ROLE),
    route("GET",   "/v1/charts/{id}",              "get_chart",             ANY_ROLE),
    route("PATCH", "/v1/charts/{id}",              "change_chart",          OFFICE),
    route("PUT",   "/v1/charts/{id}",              "put_chart",             OFFICE),
    route("GET",   "/v1/policy",                   "get_policy",            ANY_ROLE),
    route("PATCH", "/v1/policy",                   "change_policy",         OFFICE),
    route("GET",   "/.well-known/jwks.json",       "list_token_keys",       PUBLIC),
    route("GET",   "/openapi.json",                "get_document",          PUBLIC),
    route("GET",   "/docs",                        "open_docs",             PUBLIC),
    route("GET",   "/docs/{file}",                 "get_docs_file",         PUBLIC),
    route("GET",   "/problems",                    "list_problems",         PUBLIC),
    route("GET",   "/problems/{slug}",             "get_problem",           PUBLIC),
    route("GET",   "/healthz",                     "check_health",          PUBLIC),
    route("GET",   "/readyz",                      "check_readiness",       PUBLIC),
];

/// Registers what serves the routes.
#[rustfmt::skip]
pub fn services(config: &mut ServiceConfig<'_>) {
    config
        .service(sessions::create_session).service(sessions::refresh_session)
        .service(sessions::delete_session)
        .service(accounts::get_account).service(accounts::put_account)
        .service(entries::create_entry).service(entries::get_entry)
        .service(refusals::list_refusals)
        .service(rules_list::list_rules)
        .service(casings::list_casings).service(casings::get_casing)
        .service(casings::list_casing_history).service(check::check_casing).service(units::get_unit)
        .service(depots::create_depot).service(depots::list_depots)
        .service(depots::get_depot).service(depots::change_depot)
        .service(people::create_person).service(people::list_people)
        .service(people::get_person).service(people::change_person)
        .service(vehicles::create_vehicle).service(vehicles::list_vehicles)
        .service(vehicles::get_vehicle).service(vehicles::change_vehicle)
        .service(wheels::create_wheel).service(wheels::list_wheels)
        .service(wheels::get_wheel).service(wheels::change_wheel)
        .service(cages::create_cage).service(cages::list_cages)
        .service(cages::get_cage).service(cages::change_cage)
        .service(gauges::create_gauge).service(gauges::list_gauges)
        .service(gauges::get_gauge).service(gauges::change_gauge)
        .service(models::create_model).service(models::list_models)
        .service(models::get_model).service(models::change_model)
        .service(recommendations::create_recommendation).service(recommendations::list_recommendations)
        .service(recommendations::get_recommendation).service(recommendations::change_recommendation)
        .service(charts::create_chart).service(charts::list_charts)
        .service(charts::get_chart).service(charts::change_chart).service(chart_files::put_chart)
        .service(policy::get_policy).service(policy::change_policy)
        .service(tokens::list_token_keys)
        .service(docs::get_document).service(docs::open_docs).service(docs::get_docs_file)
        .service(docs::list_problems).service(docs::get_problem)
        .service(health::check_health).service(health::check_readiness);
}

/// The route of a method at an address.
///
/// # Errors
/// 404 when nothing is listed at the address, 405 when only other methods are.
pub fn find(method: &Method, path: &str) -> Result<&'static Route, Problem> {
    let here = ROUTES.iter().filter(|route| route.path == path);
    if let Some(route) = here.clone().find(|route| route.method == method.as_str()) {
        return Ok(route);
    }
    let mut methods: Vec<&str> = here.map(|route| route.method).collect();
    if methods.contains(&"GET") {
        methods.push("HEAD");
    }
    Err(if methods.is_empty() {
        Problem::not_found()
    } else {
        Problem::method_not_allowed(&methods)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::problem::Code;

    // RFC 9110 sections 15.5.5 and 15.5.6.
    #[test]
    fn a_route_is_found_by_method_and_address() {
        assert_eq!(find(&Method::POST, "/v1/sessions").unwrap().operation_id, "create_session");
        let code = |method, path| find(&method, path).unwrap_err().code();
        assert_eq!(code(Method::GET, "/v1/sessions"), Code::MethodNotAllowed);
        assert_eq!(code(Method::GET, "/v1/nothing"), Code::NotFound);
    }

    // OWASP API security 2023, API5 and API9: every route is listed once, with who may use it,
    // and the document describes exactly these.
    #[test]
    fn the_table_and_the_document_name_the_same_operations() {
        let document = serde_json::to_value(docs::document()).unwrap();
        let mut documented = Vec::new();
        for (path, item) in document["paths"].as_object().unwrap() {
            for (method, operation) in item.as_object().unwrap() {
                let id = operation["operationId"].as_str().unwrap().to_owned();
                assert!(operation["summary"].is_string(), "{id} has no summary");
                let open = operation["security"] == serde_json::json!([]);
                documented.push((method.to_uppercase(), path.clone(), id, open));
            }
        }
        let mut listed: Vec<_> = ROUTES
            .iter()
            .map(|r| {
                (
                    r.method.to_owned(),
                    r.path.to_owned(),
                    r.operation_id.to_owned(),
                    r.roles.is_none(),
                )
            })
            .collect();
        documented.sort();
        listed.sort();
        assert_eq!(documented, listed);
        listed.dedup_by_key(|(method, path, ..)| (method.clone(), path.clone()));
        assert_eq!(listed.len(), ROUTES.len());
    }
}
