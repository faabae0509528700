//! Statements whose text never changes, prepared once a connection.

use diesel::pg::Pg;
use diesel::query_builder::{AstPass, Query, QueryFragment, QueryId};
use diesel::result::QueryResult;

/// A written-out statement. Diesel prepares such a one anew each time, as its text may be
/// different each time; here it never is: values are always bound.
pub(crate) struct Prepared<Q>(pub(crate) Q);

impl<Q: QueryFragment<Pg>> QueryFragment<Pg> for Prepared<Q> {
    fn walk_ast<'b>(&'b self, pass: AstPass<'_, 'b, Pg>) -> QueryResult<()> {
        self.0.walk_ast(pass)
    }

    fn is_safe_to_cache_prepared(&self, _: &Pg) -> QueryResult<bool> {
        Ok(true)
    }
}

/// Prepared statements are told apart by their text.
impl<Q> QueryId for Prepared<Q> {
    type QueryId = ();
    const HAS_STATIC_QUERY_ID: bool = false;
}

impl<Q: Query> Query for Prepared<Q> {
    type SqlType = Q::SqlType;
}
