//! What is in the ledger stays.

use crate::fleet::Fleet;
use crate::postgres::wait;
use crate::script::id;
use rules::Subject;
use serde_json::json;

/// `insufficient_privilege` in PostgreSQL's table of SQLSTATE codes.
const NOT_GRANTED: &str = "42501";

/// What the ledger's own triggers raise.
const ONLY_GROWS: &str = "PH001";

/// 21 CFR 11.10(e) asks of records elsewhere that changes shall not obscure what was
/// recorded before; here no role can change or remove an entry at all.
#[test]
fn nobody_changes_or_removes_an_entry() {
    let given = json!({"casings": {"A": {"model": "merrow-295g", "brand": "LK-1", "state": "mounted", "wheel": "W1"}}});
    let fleet = Fleet::given(given);
    let mut noted = fleet.entry("pressure_read", Subject::casing(id("A")), json!({"psi": 100}));
    noted["personal"] = json!({"note": "valve stem scuffed"});
    fleet.post("ada", "/v1/entries", &noted).expect(201);
    let superuser = fleet.proofhold.database.superuser();
    let refused = |role: &str, statement: &str| {
        let script = format!("SET ROLE {role}; {statement}");
        let error = wait(superuser.batch_execute(&script)).expect_err(&script);
        error.code().unwrap_or_else(|| panic!("{script}: {error}")).code().to_owned()
    };
    for table in ["entry", "personal"] {
        for statement in [
            format!("UPDATE {table} SET bytes = ''"),
            format!("DELETE FROM {table}"),
            format!("TRUNCATE {table} CASCADE"),
        ] {
            assert_eq!(refused("proofhold_service", &statement), NOT_GRANTED, "{statement}");
            assert_eq!(refused("proofhold_reader", &statement), NOT_GRANTED, "{statement}");
            assert_eq!(refused("proofhold_owner", &statement), ONLY_GROWS, "{statement}");
            assert_eq!(refused("postgres", &statement), ONLY_GROWS, "{statement}");
            // Ordinary triggers keep silent here.
            let replica = format!("SET session_replication_role = replica; {statement}");
            assert_eq!(refused("postgres", &replica), ONLY_GROWS, "{replica}");
        }
    }
}
