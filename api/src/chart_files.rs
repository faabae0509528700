//! Charts as files: the rows of a chart, sent as comma-separated values.

use crate::headers::{IfMatch, etag};
use crate::input::Query;
use crate::problem::{self, Code, Details, Problem};
use crate::registry;
use crate::shapes;
use crate::things::charts::Shown;
use crate::writing::Upload;
use actix_web::http::header;
use actix_web::{HttpResponse, put, web};
use chrono::{DateTime, FixedOffset};
use rules::facts::Body;
use rules::facts::bounds::{Occurred, ShortText};
use rules::facts::chart::{Chart, ChartKind, Rows, Source};
use rules::{Field, Subject, SubjectKind};
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

/// What a file does not say of its chart.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct About {
    /// The kind of chart, which names the columns.
    #[param(inline, example = "rim_parts")]
    kind: ChartKind,
    /// What the crew calls it.
    #[param(value_type = ShortText, inline, example = "Ring matching")]
    name: String,
    /// The document that its rows were taken from.
    #[param(value_type = ShortText, inline, example = "rim matching chart")]
    document: String,
    /// The edition of the document.
    #[param(value_type = ShortText, inline, example = "2026")]
    edition: String,
    /// From when it holds; now where left out.
    #[param(value_type = Option<Occurred>, inline)]
    occurred_at: Option<DateTime<FixedOffset>>,
}

/// Load a chart from a file
///
/// The file is comma-separated values (RFC 4180) in UTF-8, at most 1,000 rows. Its first line
/// names the columns, in any order. A column in brackets may be left out or empty:
///
/// - `rim_parts`: base, side_ring, \[lock_ring\]
/// - `load_inflation`: size, \[load_range\], fitment (single, dual), psi, load_lb, evidence (seen,
///   memory), \[source\]
/// - `repair_limits`: repair (nail_hole, ply, boot), place (crown, shoulder, sidewall, bead),
///   size_32nds, \[across_32nds\], \[most\]
///
/// A chart that is not on record is registered. Of one that is, these rows take the place of all
/// before, if `If-Match` names its version. Wrong columns, values, doubled and contradictory rows
/// are told all at once, with line, row (from 0) and column, and nothing is loaded.
#[utoipa::path(
    tag = "registry",
    params(
        ("id" = Uuid, Path, example = json!(shapes::on_record(SubjectKind::Chart)), description = "Its id, a UUID made by the client."),
        About,
        ("If-Match" = Option<String>, Header, example = "*", description = "The `ETag` of the chart that is to be changed, or `*`."),
        ("Idempotency-Key" = Option<String>, Header, pattern = r#"^("[!#-\[\]-~]{1,255}"|[!#-\[\]-~]{1,255})$"#, example = "8e03978e-40d5-43e8-bc93-6894a57f9324",
            description = "Made by the client for this request, in quotes or bare."),
    ),
    request_body(content = String, content_type = "text/csv", example = "base,side_ring,lock_ring\nLB-20-75,LS-20,LK-20\n"),
    responses(
        (status = 200, description = "Changed.", body = Shown,
            headers(("ETag" = String, description = "Its version, for `If-Match`.")),
            example = json!(crate::things::example_shown(SubjectKind::Chart))),
        (status = 201, description = "Registered.", body = Shown,
            headers(("ETag" = String, description = "Its version, for `If-Match`.")),
            example = json!(crate::things::example_shown(SubjectKind::Chart))),
        (status = 409, description = "Refused by the rules, and kept as refused.", body = Details, content_type = "application/problem+json", example = json!(problem::example_refusal())),
        (status = 412, description = "Changed meanwhile.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::PreconditionFailed))),
        (status = 428, description = "`If-Match` is missing.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::PreconditionRequired))),
    )
)]
#[put("/v1/charts/{id}")]
pub async fn put_chart(
    upload: Upload,
    if_match: IfMatch,
    id: web::Path<Uuid>,
    Query(about): Query<About>,
) -> Result<HttpResponse, Problem> {
    let rows = Rows::read(about.kind, upload.file()).map_err(Problem::impossible)?;
    let source = Source { document: about.document, edition: about.edition };
    let body = Body::Chart(Chart { name: about.name, source, rows });
    let subject = Subject::of(SubjectKind::Chart, *id);
    let put = registry::put(upload.writing(), &if_match, subject, about.occurred_at, body).await;
    let (known, new) = put.map_err(|problem| problem.moved(|field| as_sent(about.kind, field)))?;
    let shown = Shown::of(known)?;
    let mut answer = if new { HttpResponse::Created() } else { HttpResponse::Ok() };
    Ok(answer.insert_header((header::ETAG, etag(shown.thing.n))).json(shown))
}

/// A place in a chart, as it was sent: in the query, or as row and column of the file.
fn as_sent(kind: ChartKind, field: Field) -> Field {
    let rows = format!("/facts/rows/{}", kind.name());
    let pointer = match field.pointer.as_str() {
        "/facts/name" => "?name".to_owned(),
        "/facts/source/document" => "?document".to_owned(),
        "/facts/source/edition" => "?edition".to_owned(),
        "/facts/rows" => "?kind".to_owned(),
        "/occurred_at" => "?occurred_at".to_owned(),
        other => other.strip_prefix(&rows).unwrap_or(other).to_owned(),
    };
    Field { pointer, ..field }
}
