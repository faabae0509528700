//! Casings: what is known of them now, and all that happened to them.

use crate::as_of::{self, AsOf};
use crate::auth::Caller;
use crate::input::Query;
use crate::page::{self, Limit, List, Paging};
use crate::problem::Problem;
use crate::shapes::{example_body, on_record};
use crate::shown::{self, Shown};
use crate::state::State;
use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::{DateTime, Utc};
use rules::due::{self, Due};
use rules::fold::casing::{Casing, Standing, Whereabouts};
use rules::world::{Head, Owned};
use rules::{Subject, SubjectKind, View};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use store::read::{self, CasingFilter};
use store::{Connection, StoreError, load, past};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// A casing, as it stands.
#[derive(Serialize, ToSchema)]
#[schema(as = Casing)]
pub struct CasingShown {
    /// Its id, made by the client that acquired it.
    #[schema(example = "d003c930-28e9-5c0f-8051-2d9ab47b3e02")]
    pub id: Uuid,
    /// How many entries it has, refused ones too.
    #[schema(example = 9)]
    pub n: u64,
    /// The moments that were asked for.
    #[serde(flatten)]
    pub view: View,
    /// What its entries come to.
    #[serde(flatten)]
    pub casing: Casing,
    /// What is still to be done.
    pub due: Vec<Due>,
    /// Refused entries that nothing recorded tries again; not in lists.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub open_refusals: Option<Vec<Uuid>>,
}

impl CasingShown {
    fn of(id: Uuid, head: &Head, view: View) -> Option<CasingShown> {
        let casing = head.state.casing()?.clone();
        Some(CasingShown { id, n: head.n, view, due: Vec::new(), casing, open_refusals: None })
    }
}

/// What is still to be done about these casings, by their ids; nothing of those on no axle.
///
/// # Errors
/// When the database fails.
pub async fn due_of<'a>(
    conn: &mut Connection,
    org: Uuid,
    casings: impl IntoIterator<Item = (Uuid, &'a Casing)>,
    view: View,
    now: DateTime<Utc>,
) -> Result<BTreeMap<Uuid, Vec<Due>>, StoreError> {
    let driven_on = casings.into_iter().filter(|(_, casing)| casing.driven_on());
    let driven_on: Vec<(Uuid, Casing)> =
        driven_on.map(|(id, casing)| (id, casing.clone())).collect();
    let ids: Vec<Uuid> = driven_on.iter().map(|(id, _)| *id).collect();
    let world = load::due(conn, org, driven_on, view).await?;
    let at = view.moment(now);
    Ok(ids.into_iter().map(|id| (id, due::due(&world, id, at))).collect())
}

/// A page of casings, in the order of their ids.
#[derive(Serialize, ToSchema)]
#[schema(as = Casings)]
pub struct Page {
    /// The casings.
    pub items: Vec<CasingShown>,
    /// The `after` of the next page, if there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
}

/// Which casings are asked for: those to which all that is given applies.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Wanted {
    /// With this standing.
    #[param(inline, example = "suspect")]
    standing: Option<Standing>,
    /// Being there.
    #[param(inline, example = "vehicle")]
    whereabouts: Option<Whereabouts>,
    /// Last at this depot.
    depot: Option<Uuid>,
    /// Of this tire model.
    model: Option<Uuid>,
    /// On this vehicle.
    vehicle: Option<Uuid>,
    /// With this brand number.
    #[param(example = "LK-1010", pattern = r"^[^\x00]*$")]
    brand: Option<String>,
    /// With this radio tag.
    #[param(example = "E280-77A1", pattern = r"^[^\x00]*$")]
    tag: Option<String>,
    /// As they were at this moment: by what happened up to then. RFC 3339, not in the future; in
    /// an address `+` is written `%2B`.
    #[serde(default, deserialize_with = "as_of::moment")]
    #[param(example = "2026-03-03T13:00:00Z")]
    as_of: Option<DateTime<Utc>>,
    /// As they were known at this moment: by what was recorded up to then. RFC 3339, not in the
    /// future.
    #[serde(default, deserialize_with = "as_of::moment")]
    #[param(example = "2026-03-03T13:00:00Z")]
    known_at: Option<DateTime<Utc>>,
    /// How many items at most.
    #[serde(default)]
    #[param(value_type = u8, required = false, minimum = 1, maximum = 200, default = 50)]
    limit: Limit,
    /// The `next` of the page before.
    #[param(pattern = "^[A-Za-z0-9_-]{32}$")]
    after: Option<String>,
}

impl Wanted {
    fn filter(&self) -> CasingFilter {
        CasingFilter {
            standing: self.standing,
            whereabouts: self.whereabouts,
            depot: self.depot,
            model: self.model,
            vehicle: self.vehicle,
        }
    }

    fn marks(&self) -> Vec<Owned> {
        let brand = self.brand.clone().map(Owned::Brand);
        brand.into_iter().chain(self.tag.clone().map(Owned::Tag)).collect()
    }

    /// Whether the filters let this casing through.
    fn admits(&self, casing: &Casing) -> bool {
        self.standing.is_none_or(|standing| casing.standing == standing)
            && self.whereabouts.is_none_or(|place| casing.whereabouts == place)
            && self.depot.is_none_or(|depot| casing.depot == Some(depot))
            && self.model.is_none_or(|model| casing.model == model)
            && (self.vehicle.is_none() || casing.vehicle == self.vehicle)
            && (self.brand.is_none() || casing.marks.brand == self.brand)
            && (self.tag.is_none() || casing.marks.tag == self.tag)
    }
}

/// Casings
///
/// As they stand, or as they were at a moment, or as they were known at a moment. A page of the
/// past looks through so many casings only: it may have few items or none, and a next page.
#[utoipa::path(
    tag = "casings",
    params(Wanted),
    responses((status = 200, description = "A page, in the order of their ids.", body = Page,
        headers(("Link" = Option<String>, description = "The next page, RFC 8288.")),
        example = json!({"items": [example_body(SubjectKind::Casing)]})))
)]
#[get("/v1/casings")]
pub async fn list_casings(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    Query(wanted): Query<Wanted>,
) -> Result<HttpResponse, Problem> {
    let org = caller.org;
    let pages = List::of_kind(&state.keys, org, SubjectKind::Casing);
    let after = pages.after(wanted.after.as_deref())?;
    let asked = AsOf { as_of: wanted.as_of, known_at: wanted.known_at };
    let at = state.clock.now();
    let view = asked.view(at)?;
    let look = async |conn: &mut Connection| {
        let (mut items, rest) = match view.is_now() {
            true => (now(conn, org, &wanted, after).await?, None),
            false => then(conn, org, &wanted, view, after).await?,
        };
        let casings = items.iter().map(|item| (item.id, &item.casing));
        let mut due = due_of(conn, org, casings, view, at).await?;
        for item in &mut items {
            item.due = due.remove(&item.id).unwrap_or_default();
        }
        Ok((items, rest))
    };
    let (mut items, rest) = match view.is_now() {
        true => state.store.in_org(org, look).await?,
        false => state.store.in_snapshot(org, look).await?,
    };
    let next = pages.cut(&mut items, wanted.limit, |item| item.id);
    let next = next.or_else(|| rest.map(|last| pages.cursor(last)));
    Ok(page::answer(&request, next.clone().as_deref(), &Page { items, next }))
}

/// The casings of a page, and one more where there is one.
async fn now(
    conn: &mut Connection,
    org: Uuid,
    wanted: &Wanted,
    after: Option<Uuid>,
) -> Result<Vec<CasingShown>, StoreError> {
    let marks = wanted.marks();
    let found = match marks.is_empty() {
        true => {
            let most = i64::from(wanted.limit.0) + 1;
            read::casings(conn, org, &wanted.filter(), after, most).await?
        }
        false => marked(conn, org, &marks).await?,
    };
    let shown = found.iter().filter_map(|(id, head)| CasingShown::of(*id, head, View::default()));
    Ok(shown.filter(|item| wanted.admits(&item.casing)).collect())
}

/// Casings whose entries are read in one statement.
const AT_ONCE: usize = 100;

/// Casings that are looked through for one page of the past.
const LOOKED_THROUGH: usize = 1_000;

/// The casings of a page of the past, and one more where one was found; else, where not all were
/// looked through, the last that was.
async fn then(
    conn: &mut Connection,
    org: Uuid,
    wanted: &Wanted,
    view: View,
    mut after: Option<Uuid>,
) -> Result<(Vec<CasingShown>, Option<Uuid>), StoreError> {
    let mut items = Vec::new();
    for _ in 0..LOOKED_THROUGH / AT_ONCE {
        let ids = past::casings(conn, org, &wanted.filter(), view, after, AT_ONCE).await?;
        let entries = past::entries(conn, org, SubjectKind::Casing, &ids, view).await?;
        let shown =
            entries.iter().filter_map(|(id, all)| CasingShown::of(*id, &view.head(all), view));
        items.extend(shown.filter(|item| wanted.admits(&item.casing)));
        if ids.len() < AT_ONCE || items.len() > usize::from(wanted.limit.0) {
            return Ok((items, None));
        }
        after = ids.last().copied();
    }
    Ok((items, after))
}

/// The casing that has all these marks, if there is one.
async fn marked(
    conn: &mut Connection,
    org: Uuid,
    marks: &[Owned],
) -> Result<Vec<(Uuid, Head)>, StoreError> {
    let mut owners = Vec::new();
    for mark in marks {
        owners.push(read::owner(conn, org, mark).await?);
    }
    let Some(Some(casing)) = owners.first().copied() else {
        return Ok(Vec::new());
    };
    if casing.kind != SubjectKind::Casing || owners.iter().any(|owner| *owner != Some(casing)) {
        return Ok(Vec::new());
    }
    let head = read::head(conn, org, casing).await?;
    Ok(head.map(|head| (casing.id, head)).into_iter().collect())
}

/// A casing, as it stands or stood
///
/// At a moment, and as it was known at a moment. `n` then counts what had happened and was known.
#[utoipa::path(
    tag = "casings",
    params(("id" = Uuid, Path, example = json!(on_record(SubjectKind::Casing)), description = "The casing."), AsOf),
    responses((status = 200, description = "The casing.", body = CasingShown, example = json!(example_body(SubjectKind::Casing))))
)]
#[get("/v1/casings/{id}")]
pub async fn get_casing(
    state: web::Data<State>,
    caller: Caller,
    id: web::Path<Uuid>,
    Query(as_of): Query<AsOf>,
) -> Result<HttpResponse, Problem> {
    let (org, subject) = (caller.org, Subject::casing(*id));
    let at = state.clock.now();
    let view = as_of.view(at)?;
    let found = match view.is_now() {
        true => state.store.head(org, subject).await?,
        false => {
            let look = async |conn: &mut Connection| as_of::entries(conn, org, subject, view).await;
            let entries = state.store.in_snapshot(org, look).await?;
            Some((view.head(&entries), view.open_refusals(&entries)))
        }
    };
    let shown = found.and_then(|(head, open)| {
        let shown = CasingShown::of(subject.id, &head, view)?;
        Some(CasingShown { open_refusals: Some(open), ..shown })
    });
    let mut shown = shown.ok_or_else(|| as_of::not_found(view))?;
    if shown.casing.driven_on() {
        let casing = [(shown.id, &shown.casing)];
        let look = async |conn: &mut Connection| due_of(conn, org, casing, view, at).await;
        shown.due =
            state.store.in_snapshot(org, look).await?.remove(&subject.id).unwrap_or_default();
    }
    Ok(HttpResponse::Ok().json(shown))
}

/// A page of entries, in the order of arrival.
#[derive(Serialize, ToSchema)]
pub struct History {
    /// The entries, refused ones too.
    pub items: Vec<Shown>,
    /// The `after` of the next page, if there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
}

/// All that happened to a casing
///
/// Every entry, refused ones too, in the order of arrival: `n` has no gaps. `occurred_at` says
/// when it happened.
#[utoipa::path(
    tag = "casings",
    params(("id" = Uuid, Path, example = json!(on_record(SubjectKind::Casing)), description = "The casing."), Paging),
    responses((status = 200, description = "A page of its entries.", body = History,
        headers(("Link" = Option<String>, description = "The next page, RFC 8288.")),
        example = json!({"items": [shown::example()]})))
)]
#[get("/v1/casings/{id}/history")]
pub async fn list_casing_history(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<Uuid>,
    Query(paging): Query<Paging>,
) -> Result<HttpResponse, Problem> {
    let (org, subject) = (caller.org, Subject::casing(*id));
    let pages = List::of_entries(&state.keys, org, subject);
    let after = pages.after(paging.after.as_deref())?.unwrap_or_default().as_u128();
    let after = u64::try_from(after).unwrap_or(u64::MAX);
    let most = i64::from(paging.limit.0) + 1;
    let entries = state.store.history(org, subject, after, most).await?;
    if entries.is_empty() {
        state.store.head(org, subject).await?.ok_or_else(Problem::not_found)?;
    }
    let mut items: Vec<Shown> =
        entries.into_iter().map(|kept| Shown::of(kept.entry, kept.personal)).collect();
    let next = pages.cut(&mut items, paging.limit, |item| Uuid::from_u128(item.n.into()));
    Ok(page::answer(&request, next.clone().as_deref(), &History { items, next }))
}
