//! JSON as the text that the database takes and gives, not read in between.

use diesel::deserialize::{self, FromSql, FromSqlRow};
use diesel::expression::AsExpression;
use diesel::pg::{Pg, PgValue};
use diesel::serialize::{self, IsNull, Output, ToSql};
use diesel::sql_types::Jsonb;
use std::io::Write;

/// The first byte of a `jsonb` on the wire (`jsonb_recv` of PostgreSQL).
const VERSION: u8 = 1;

/// A text in JSON.
#[derive(AsExpression, Debug, FromSqlRow)]
#[diesel(sql_type = Jsonb)]
pub(crate) struct Json(pub(crate) Vec<u8>);

impl FromSql<Jsonb, Pg> for Json {
    fn from_sql(value: PgValue<'_>) -> deserialize::Result<Json> {
        match value.as_bytes().split_first() {
            Some((&VERSION, text)) => Ok(Json(text.to_vec())),
            _ => Err("another form of jsonb".into()),
        }
    }
}

impl ToSql<Jsonb, Pg> for Json {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
        out.write_all(&[VERSION])?;
        out.write_all(&self.0)?;
        Ok(IsNull::No)
    }
}
