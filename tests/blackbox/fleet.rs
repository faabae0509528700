//! The fleets of a scenario on a running Proofhold: entries sent over HTTP, and read
//! as they are shown.

use crate::postgres::wait;
use crate::proofhold::{Answer, Proofhold, send};
use crate::script::{Ledger, Script, Sending, id};
use reqwest::blocking::RequestBuilder;
use rules::entry::{Outcome, Reason, Sender};
use rules::fold::fold;
use rules::table::{How, RULES};
use rules::{Command, Entry, Facts, Subject, View};
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use store::check::check;
use store::rebuild::rebuild;
use store::record::{Answer as Answered, Request, Sent, record};
use uuid::Uuid;

pub struct Fleet {
    pub proofhold: Proofhold,
}

impl Fleet {
    /// The organisations of a script; everybody in it has an account.
    pub fn of(script: &Script) -> Fleet {
        let proofhold = Proofhold::start();
        for org in script.organisations() {
            proofhold.organisation_with_id(&org, id(&org));
            for (name, role) in script.people() {
                proofhold.account(id(&org), id(&name), &name, role);
            }
        }
        Fleet { proofhold }
    }

    /// A fleet where everything that `given` names is on record, at 8 in the morning of
    /// 10 March 2026 in Chicago.
    pub fn given(given: Value) -> Fleet {
        let steps = json!([{"id": "s1", "do": "cage_checked", "subject": "K1",
            "occurred_at": "2026-03-10T08:00:00-05:00", "expect": {"outcome": "recorded"}}]);
        Fleet::played(&json!({"id": "given", "given": given, "steps": steps, "then": {}}))
    }

    /// A fleet after this scenario.
    pub fn played(scenario: &Value) -> Fleet {
        let script = Script::new(scenario);
        let mut fleet = Fleet::of(&script);
        script.play(&mut fleet);
        fleet
    }

    /// The same fleet at a second service on the same database.
    pub fn beside(&self) -> Fleet {
        Fleet { proofhold: self.proofhold.beside() }
    }

    /// A request of a person of Larkspur, or of another organisation: `org/person`.
    pub fn request(&self, who: &str, method: &str, path: &str) -> RequestBuilder {
        let (org, person) = who.split_once('/').unwrap_or(("larkspur", who));
        self.proofhold.request(method, path).bearer_auth(self.proofhold.token(org, person))
    }

    pub fn get(&self, who: &str, path: &str) -> Answer {
        send(self.request(who, "GET", path))
    }

    pub fn post(&self, who: &str, path: &str, body: &Value) -> Answer {
        send(self.request(who, "POST", path).json(body))
    }

    /// An entry that happens now, with every rule attested.
    pub fn entry(&self, kind: &str, subject: Subject, facts: Value) -> Value {
        let attested = RULES.iter().filter(|rule| rule.how == How::Attested);
        let attested: Vec<&str> = attested.map(|rule| rule.id.as_str()).collect();
        json!({"id": Uuid::now_v7(), "kind": kind, "subject": subject,
            "occurred_at": self.proofhold.now().to_rfc3339(), "facts": facts, "attested": attested})
    }

    /// Everything in a list, page by page.
    pub fn all(&self, who: &str, path: &str, limit: usize) -> Vec<Value> {
        let (mut items, mut after) = (Vec::new(), String::new());
        loop {
            let joined = if path.contains('?') { '&' } else { '?' };
            let page = self.get(who, &format!("{path}{joined}limit={limit}{after}")).expect(200);
            let some = page["items"].as_array().unwrap();
            assert!(some.len() <= limit, "{path}");
            items.extend(some.iter().cloned());
            match page["next"].as_str() {
                Some(next) => after = format!("&after={next}"),
                None => return items,
            }
        }
    }

    /// How many rows every table has, but for the sessions of who asks.
    pub fn rows(&self) -> Vec<(String, i64)> {
        let superuser = self.proofhold.database.superuser();
        wait(async {
            let tables = "SELECT relname::text FROM pg_class WHERE relkind = 'r' \
                          AND relname <> 'refresh_family' \
                          AND relnamespace = 'public'::regnamespace ORDER BY relname";
            let mut rows = Vec::new();
            for table in superuser.query(tables, &[]).await.unwrap() {
                let table: String = table.get(0);
                let count = format!("SELECT count(*) FROM {table}");
                let count = superuser.query_one(&count, &[]).await.unwrap().get(0);
                rows.push((table, count));
            }
            rows
        })
    }

    /// Every entry stands as it was decided, and every row is what its entries say. No
    /// outside source: the ledger's own promise.
    pub fn stands(&self) {
        let superuser = self.proofhold.database.superuser();
        let query = "SELECT o.id::text, count(e.id) FROM organisation o LEFT JOIN entry e ON e.org_id = o.id \
                     GROUP BY o.id";
        for row in wait(superuser.query(query, &[])).unwrap() {
            let (org, entries): (Uuid, i64) = (row.get::<_, &str>(0).parse().unwrap(), row.get(1));
            let store = &self.proofhold.store;
            let report = wait(store.in_org(org, async |conn: &mut _| check(conn, org).await));
            let report = report.unwrap();
            assert_eq!((report.wrong, report.entries as i64), (None, entries));
            let changed = wait(store.in_org(org, async |conn: &mut _| rebuild(conn, org).await));
            assert_eq!(changed.unwrap(), 0, "the rows are the folds");
        }
    }

    /// The entries of a casing, read page by page.
    fn history(&self, org: &str, casing: Uuid) -> Vec<Entry> {
        let path = format!("/v1/casings/{casing}/history");
        let shown = self.all(&format!("{org}/gus"), &path, 3);
        shown.iter().map(|shown| entry(id(org), shown)).collect()
    }
}

fn read<T: DeserializeOwned>(value: &Value) -> T {
    serde_json::from_value(value.clone()).unwrap_or_else(|error| panic!("{value}: {error}"))
}

/// The entry that is shown so. What was found beside a rule's sentence, and the hash of
/// the personal part, are not shown.
pub fn entry(org: Uuid, shown: &Value) -> Entry {
    let subject: Subject = read(&shown["subject"]);
    let facts = Facts::from_value(read(&shown["kind"]), subject.kind, shown["facts"].clone());
    let outcome = match shown["outcome"].as_str() {
        Some("recorded") => {
            Outcome::Recorded { cautions: read(&shown["cautions"]), worked: read(&shown["worked"]) }
        }
        Some("refused") => {
            let rules = shown["rules"].as_array().unwrap().iter();
            let reason = |rule: &Value| {
                says_what_to_do(rule);
                Reason {
                    rule: read(&rule["id"]),
                    class: read(&rule["class"]),
                    evidence: read(&rule["evidence"]),
                    found: None,
                }
            };
            Outcome::Refused { reasons: rules.map(reason).collect() }
        }
        other => panic!("{other:?}"),
    };
    Entry {
        org,
        id: read(&shown["id"]),
        subject,
        n: read(&shown["n"]),
        occurred_at: read(&shown["occurred_at"]),
        recorded_at: read(&shown["recorded_at"]),
        sent_at: read(&shown["sent_at"]),
        sender: read(&shown["sender"]),
        by: read(&shown["by"]),
        facts: facts.unwrap_or_else(|field| panic!("{shown}: {field:?}")),
        attested: read(&shown["attested"]),
        retries: read(&shown["retries"]),
        cause: read(&shown["cause"]),
        outcome,
        basis: read(&shown["basis"]),
        personal_hash: None,
    }
}

/// A rule that stopped an entry comes with its source and with its sentence, which says what to
/// do next, as the table of rules has them.
fn says_what_to_do(shown: &Value) {
    let rule = RULES.iter().find(|rule| shown["id"] == rule.id.as_str()).unwrap();
    assert_eq!(shown["source"], rule.source.as_str(), "{shown}");
    assert!(shown["say"].as_str().unwrap().starts_with(&rule.say), "{shown}");
}

impl Fleet {
    /// Sends an entry over HTTP.
    fn post_entry(&self, sending: &Sending) -> Result<Vec<Entry>, u16> {
        let who = format!("{}/{}", sending.org, sending.person);
        let dry_run = if sending.dry_run { "?dry_run=true" } else { "" };
        let mut request = self.request(&who, "POST", &format!("/v1/entries{dry_run}"));
        if let Some(sent_at) = sending.sent_at {
            request = request.header("Device-Time", sent_at.to_rfc3339());
        }
        let answer = send(request.json(&sending.body));
        let kept = format!("/v1/entries/{}", sending.body["id"].as_str().unwrap());
        let shown = match (answer.status.as_u16(), sending.dry_run) {
            (200, true) => answer.json(),
            (201, false) => {
                let shown = answer.json();
                assert_eq!(self.get(&who, &kept).expect(200), shown, "it is shown as answered");
                shown
            }
            (409, false) => {
                let problem = answer.problem(409, "REFUSED");
                assert_eq!(problem["entry_id"], sending.body["id"]);
                let shown = self.get(&who, &kept).expect(200);
                assert_eq!(shown["rules"], problem["rules"], "the refusal is kept whole");
                shown
            }
            (status, _) => {
                answer.problem(status, answer.json()["code"].as_str().unwrap());
                return Err(status);
            }
        };
        let added = shown["added"].as_array().unwrap();
        let org = id(&sending.org);
        Ok(std::iter::once(&shown).chain(added).map(|shown| entry(org, shown)).collect())
    }

    /// Records entries of one person in one request, and reads them over HTTP as they are shown.
    fn record(&self, sendings: &[Sending]) -> Vec<Result<Vec<Entry>, u16>> {
        let (one, org) = (&sendings[0], id(&sendings[0].org));
        let sender = Sender { person: id(&one.person), sent_at: one.sent_at };
        let sent = |sending: &Sending| {
            let command = Command::read(sending.body.to_string().as_bytes()).unwrap();
            let content = command.id.into_bytes().repeat(2).try_into().unwrap();
            Sent { command, content }
        };
        let request = [Request { sender, commands: sendings.iter().map(sent).collect() }];
        let work = async |conn: &mut _| record(conn, org, one.now, &request).await;
        let answers = wait(self.proofhold.store.in_org(org, work)).unwrap().remove(0);
        let shown = |(sending, answer): (&Sending, Answered)| {
            let kept = format!("/v1/entries/{}", sending.body["id"].as_str().unwrap());
            assert!(matches!(answer, Answered::Decided(_)), "{answer:?} {}", sending.body);
            let shown = self.get(&format!("{}/gus", sending.org), &kept).expect(200);
            let added = shown["added"].as_array().unwrap();
            Ok(std::iter::once(&shown).chain(added).map(|shown| entry(org, shown)).collect())
        };
        sendings.iter().zip(answers).map(shown).collect()
    }
}

impl Ledger for Fleet {
    fn send_together(&mut self, sendings: &[Sending]) -> Vec<Result<Vec<Entry>, u16>> {
        self.proofhold.set_clock(sendings[0].now);
        match sendings {
            [one] => vec![self.post_entry(one)],
            all => self.record(all),
        }
    }

    fn casing(&mut self, org: &str, casing: Uuid) -> Value {
        let who = format!("{org}/gus");
        let answer = self.get(&who, &format!("/v1/casings/{casing}"));
        if answer.status.as_u16() == 404 {
            return Value::Null;
        }
        let shown = answer.expect(200);
        let history = self.history(org, casing);
        let numbers: Vec<u64> = history.iter().map(|entry| entry.n).collect();
        let counted: Vec<u64> = (1..=shown["n"].as_u64().unwrap()).collect();
        assert_eq!(numbers, counted, "nothing of the history is left out");
        let fold = serde_json::to_value(fold(&history, None)).unwrap();
        for (field, value) in fold.as_object().unwrap() {
            assert_eq!(&shown[field], value, "the casing is the fold of its history: {field}");
        }
        shown
    }

    fn as_of(&mut self, org: &str, casing: Uuid, view: View) -> Value {
        // Nobody asks before the moment has come.
        let asked = [view.as_of, view.known_at].into_iter().flatten();
        let now = asked.chain([self.proofhold.now()]).max();
        now.into_iter().for_each(|now| self.proofhold.set_clock(now));
        let request = self.request(&format!("{org}/gus"), "GET", &format!("/v1/casings/{casing}"));
        let asked = [("as_of", view.as_of), ("known_at", view.known_at)];
        let asked = asked.into_iter().filter_map(|(name, at)| Some((name, at?.to_rfc3339())));
        send(request.query(&asked.collect::<Vec<_>>())).expect(200)
    }

    fn tagged(&mut self, org: &str, wheel: Uuid) -> bool {
        let who = format!("{org}/gus");
        !self.get(&who, &format!("/v1/wheels/{wheel}")).expect(200)["tagged"].is_null()
    }

    fn do_not_move(&mut self, org: &str, unit: &str) -> bool {
        let who = format!("{org}/gus");
        self.get(&who, &format!("/v1/units/{unit}")).expect(200)["do_not_move"].as_bool().unwrap()
    }
}
