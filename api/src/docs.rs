//! The API document, the page that shows it, and the pages about problems.

use crate::problem::{self, CATALOGUE, Code, Details, Known, Problem};
use crate::routes::{self, ROUTES, Route};
use actix_web::http::header;
use actix_web::{App, HttpResponse, get, web};
use serde_json::json;
use std::sync::{Arc, LazyLock};
use utoipa::openapi::path::{Operation, Parameter, ParameterIn, PathItem};
use utoipa::openapi::response::{Response, ResponseBuilder};
use utoipa::openapi::schema::{Schema, SchemaType, Type};
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{ContentBuilder, OpenApi, Ref, RefOr};
use utoipa::{OpenApi as _, PartialSchema, ToSchema};
use utoipa_actix_web::AppExt;
use utoipa_swagger_ui::Config;

#[derive(utoipa::OpenApi)]
#[openapi(
    info(
        title = "Proofhold",
        description = "A ledger of heavy-truck tire casings. It keeps what happened to a casing with the casing, \
            refuses to release one that may not go back on the road, and proves afterwards what was done, when, \
            by whom and under which rule.\n\n\
            Pressures end in `_psi`, times are RFC 3339, ids are UUIDs made by the client. Every error is \
            `application/problem+json`; its `type` leads to a page about it.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    servers((url = "/", description = "This service")),
    tags(
        (name = "sign-in", description = "Signing in, going on, signing out"),
        (name = "entries", description = "What happened, and the decisions on it"),
        (name = "casings", description = "Casings and vehicles, as they stand and what may be done"),
        (name = "registry", description = "What is registered and changed: depots, people, vehicles, wheels, cages, gauges, models, recommendations, charts, policy"),
        (name = "rules", description = "The rules that entries are judged by"),
        (name = "people", description = "People and their accounts"),
        (name = "service", description = "The service itself"),
    )
)]
struct Frame;

/// The API document, OpenAPI 3.1. Who may call and the answers that follow from the route
/// itself are filled in from the table of routes; handlers describe the rest.
#[must_use]
pub fn document() -> OpenApi {
    let described =
        App::new().into_utoipa_app().openapi(Frame::openapi()).configure(routes::services);
    let (_, mut document) = described.split_for_parts();
    let components = document.components.get_or_insert_default();
    let bearer = HttpBuilder::new()
        .scheme(HttpAuthScheme::Bearer)
        .bearer_format("JWT")
        .description(Some("The access token from `POST /v1/sessions`."));
    components
        .security_schemes
        .insert("bearer".to_owned(), SecurityScheme::Http(bearer.build()).into());
    let mut schemas = vec![(Details::name().into_owned(), Details::schema())];
    Details::schemas(&mut schemas);
    components.schemas.extend(schemas);
    for route in ROUTES {
        if let Some(operation) =
            document.paths.paths.get_mut(route.path).and_then(|item| operation(item, route.method))
        {
            complete(operation, route);
        }
    }
    document
}

/// The document as it is served and kept in the repository: indented JSON and a line end.
#[must_use]
pub fn document_text() -> String {
    let mut text = serde_json::to_string_pretty(&document()).unwrap_or_default();
    text.push('\n');
    text
}

fn operation<'a>(item: &'a mut PathItem, method: &str) -> Option<&'a mut Operation> {
    let operation = match method {
        "GET" => &mut item.get,
        "POST" => &mut item.post,
        "PUT" => &mut item.put,
        "PATCH" => &mut item.patch,
        "DELETE" => &mut item.delete,
        _ => return None,
    };
    operation.as_mut()
}

/// What may be left out of an address or a head has no null: it is left out.
fn without_null(parameter: &mut RefOr<Parameter>) {
    let RefOr::T(Parameter { schema: Some(RefOr::T(Schema::Object(schema))), .. }) = parameter
    else {
        return;
    };
    if let SchemaType::Array(types) = &schema.schema_type
        && let Some(only) = types.iter().find(|kind| **kind != Type::Null)
    {
        schema.schema_type = SchemaType::Type(only.clone());
    }
}

fn complete(operation: &mut Operation, route: &Route) {
    operation.parameters.iter_mut().flatten().for_each(without_null);
    operation.security = Some(match route.roles {
        None => Vec::new(),
        Some(_) => vec![SecurityRequirement::new("bearer", Vec::<String>::new())],
    });
    if let Some(roles) = route.roles {
        let names: Vec<String> =
            roles.iter().map(|role| format!("{role:?}").to_lowercase()).collect();
        let allowed = format!("For the roles {}.", names.join(", "));
        let said = operation.description.take().filter(|text| !text.is_empty());
        operation.description = Some(match said {
            Some(said) => format!("{said}\n\n{allowed}"),
            None => allowed,
        });
    }
    let mut codes = vec![Code::Internal, Code::Unavailable];
    if route.roles.is_some() {
        codes.extend([Code::InvalidToken, Code::Forbidden]);
    }
    if route.path.contains('{') {
        codes.push(Code::NotFound);
    }
    if operation.request_body.is_some() {
        codes.extend([
            Code::NotWellFormed,
            Code::RequestTimeout,
            Code::PayloadTooLarge,
            Code::UnsupportedMediaType,
            Code::Impossible,
        ]);
    }
    if operation.parameters.iter().flatten().any(is_of_query) {
        codes.push(Code::NotWellFormed);
    }
    if operation.parameters.iter().flatten().any(is_a_moment) {
        codes.push(Code::Impossible);
    }
    for code in codes {
        let known = code.known();
        let status = known.status.as_str().to_owned();
        operation.responses.responses.entry(status).or_insert_with(|| RefOr::T(answer(known)));
    }
}

fn is_of_query(parameter: &RefOr<Parameter>) -> bool {
    matches!(parameter, RefOr::T(parameter) if parameter.parameter_in == ParameterIn::Query)
}

/// Whether it asks for a moment, which may not lie in the future.
fn is_a_moment(parameter: &RefOr<Parameter>) -> bool {
    is_of_query(parameter)
        && matches!(parameter, RefOr::T(parameter) if ["as_of", "known_at"].contains(&&*parameter.name))
}

/// How the document shows one kind of problem.
fn answer(known: &Known) -> Response {
    let content = ContentBuilder::new()
        .schema(Some(Ref::from_schema_name(Details::name())))
        .example(Some(json!(problem::example(known.code))));
    ResponseBuilder::new()
        .description(known.title)
        .content("application/problem+json", content.build())
        .build()
}

static DOCUMENT: LazyLock<String> = LazyLock::new(document_text);

/// This document
#[utoipa::path(
    tag = "service",
    responses((status = 200, description = "The API document, OpenAPI 3.1.", body = serde_json::Value, content_type = "application/json"))
)]
#[get("/openapi.json")]
pub async fn get_document() -> HttpResponse {
    HttpResponse::Ok()
        .content_type("application/json")
        .insert_header((header::CACHE_CONTROL, "public, max-age=300"))
        .body(DOCUMENT.as_str())
}

/// The documentation page
#[utoipa::path(
    tag = "service",
    responses((status = 308, description = "The page is at /docs/index.html."))
)]
#[get("/docs")]
pub async fn open_docs() -> HttpResponse {
    HttpResponse::PermanentRedirect().insert_header((header::LOCATION, "/docs/index.html")).finish()
}

static VIEWER: LazyLock<Arc<Config<'static>>> = LazyLock::new(|| {
    // "none" keeps the page from asking a validator elsewhere.
    Arc::new(Config::from("/openapi.json").validator_url("none").display_operation_id(true))
});

/// What the documentation page may load: files of this service, no inline scripts. The viewer
/// sets style attributes itself and embeds its small pictures.
const VIEWER_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; \
    img-src 'self' data:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// A file of the documentation page
#[utoipa::path(
    tag = "service",
    params(("file" = String, Path, description = "The file.", example = "index.html")),
    responses((status = 200, description = "The file.", body = String, content_type = "text/html"))
)]
#[get("/docs/{file}")]
pub async fn get_docs_file(file: web::Path<String>) -> Result<HttpResponse, Problem> {
    let found = utoipa_swagger_ui::serve(&file, VIEWER.clone()).map_err(Problem::internal)?;
    let file = found.ok_or_else(Problem::not_found)?;
    Ok(HttpResponse::Ok()
        .content_type(file.content_type)
        .insert_header((header::CONTENT_SECURITY_POLICY, VIEWER_POLICY))
        .insert_header((header::CACHE_CONTROL, "public, max-age=3600"))
        .body(file.bytes.into_owned()))
}

/// Every kind of problem
#[utoipa::path(
    tag = "service",
    responses((status = 200, description = "One line a kind.", body = String, content_type = "text/plain"))
)]
#[get("/problems")]
pub async fn list_problems() -> HttpResponse {
    let line = |known: &Known| {
        format!("{} /problems/{}: {}\n", known.status.as_u16(), known.slug, known.title)
    };
    HttpResponse::Ok()
        .content_type("text/plain; charset=utf-8")
        .body(CATALOGUE.iter().map(line).collect::<String>())
}

/// What a kind of problem means
#[utoipa::path(
    tag = "service",
    params(("slug" = String, Path, description = "The end of a problem's `type`.", example = "refused")),
    responses((status = 200, description = "The page about it.", body = String, content_type = "text/plain"))
)]
#[get("/problems/{slug}")]
pub async fn get_problem(slug: web::Path<String>) -> Result<HttpResponse, Problem> {
    let known =
        CATALOGUE.iter().find(|known| known.slug == *slug).ok_or_else(Problem::not_found)?;
    let again = match known.retryable {
        true => "The same request may succeed later.",
        false => "The same request will not succeed without a change.",
    };
    let page = format!(
        "{}\n\nStatus {}, code {}.\n\n{}\n{again}\n",
        known.title,
        known.status.as_u16(),
        known.name(),
        known.explanation
    );
    Ok(HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(page))
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 9457 section 3.1.1: a type that is an address leads to its documentation.
    #[actix_web::test]
    async fn every_kind_of_problem_has_its_page() {
        for known in CATALOGUE {
            let page = get_problem_text(known.slug).await.unwrap();
            assert!(page.contains(known.title) && page.contains(&known.name()));
        }
        assert!(get_problem_text("nothing").await.is_none());
    }

    async fn get_problem_text(slug: &str) -> Option<String> {
        use actix_web::test::{TestRequest, call_service, init_service, read_body};
        let app = init_service(App::new().service(get_problem)).await;
        let request = TestRequest::get().uri(&format!("/problems/{slug}")).to_request();
        let answer = call_service(&app, request).await;
        let found = answer.status().is_success();
        let text = String::from_utf8(read_body(answer).await.to_vec()).unwrap();
        found.then_some(text)
    }

    // W3C Content Security Policy level 3: without 'unsafe-inline' for scripts, an inline
    // script would not run, so the page must have none and load nothing from elsewhere.
    #[test]
    fn the_documentation_page_has_no_inline_scripts_and_loads_nothing_from_elsewhere() {
        let file = |name: &str| {
            let file = utoipa_swagger_ui::serve(name, VIEWER.clone()).unwrap().unwrap();
            String::from_utf8(file.bytes.into_owned()).unwrap()
        };
        let page = file("index.html");
        for script in page.split("<script").skip(1) {
            let (attributes, rest) = script.split_once('>').unwrap();
            assert!(attributes.contains("src=\"./"), "{attributes}");
            assert_eq!(rest.split("</script>").next().unwrap().trim(), "");
        }
        assert!(
            !page.contains("http://") && !page.contains("https://") && !page.contains("<style")
        );
        let start = file("swagger-initializer.js");
        assert!(start.contains("/openapi.json") && !start.contains("petstore"));
    }

    // OpenAPI 3.1; completeness is common practice, no published source.
    #[test]
    fn every_operation_documents_its_answers() {
        let document = serde_json::to_value(document()).unwrap();
        assert!(document["openapi"].as_str().unwrap().starts_with("3.1"));
        for route in ROUTES {
            let operation = &document["paths"][route.path][route.method.to_lowercase()];
            let answers = operation["responses"].as_object().unwrap();
            let has = |status: &str| answers.contains_key(status);
            assert!(has("500") && answers.keys().any(|status| status < &"400".to_owned()));
            assert_eq!(route.roles.is_some(), has("401") && has("403"), "{}", route.operation_id);
            assert!(!route.path.contains('{') || has("404"));
        }
        let text = document.to_string();
        for reference in text.split("\"$ref\":\"#/components/schemas/").skip(1) {
            let name = reference.split('"').next().unwrap();
            assert!(document["components"]["schemas"].get(name).is_some(), "{name} is missing");
        }
    }
}
