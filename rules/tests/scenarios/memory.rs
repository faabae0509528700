//! A ledger of a few organisations, kept in memory.

use crate::agree;
use crate::script::{Ledger, Script, Sending, id};
use chrono::{DateTime, Utc};
use rules::canonical::{Line, personal_hash};
use rules::entry::{FormError, Sender};
use rules::fold::{State, fold};
use rules::{Command, Entry, Role, Subject, SubjectKind, View, World, decide, due};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use uuid::Uuid;

pub struct Memory {
    roles: BTreeMap<String, Role>,
    pub books: BTreeMap<String, Book>,
    /// When the last entry arrived.
    now: DateTime<Utc>,
}

/// The ledger of one organisation.
pub struct Book {
    world: World,
    pub entries: Vec<Entry>,
    /// What was sent, with what it came to.
    sent: BTreeMap<Uuid, (Command, Vec<Entry>)>,
}

impl Memory {
    pub fn of(script: &Script) -> Memory {
        let book = |org: &String| Book {
            world: World::new(id(org)),
            entries: Vec::new(),
            sent: BTreeMap::new(),
        };
        Memory {
            now: DateTime::UNIX_EPOCH,
            roles: script.people().into_iter().collect(),
            books: script.organisations().iter().map(|org| (org.clone(), book(org))).collect(),
        }
    }

    /// The command that is sent, if its sender may send it.
    fn read(&self, sending: &Sending) -> Result<Command, u16> {
        let command = match Command::read(sending.body.to_string().as_bytes()) {
            Ok(command) => command,
            Err(FormError::Malformed(_)) => return Err(400),
            Err(FormError::Impossible(_)) => return Err(422),
        };
        match self.roles[&sending.person].may_write(command.facts.kind()) {
            true => Ok(command),
            false => Err(403),
        }
    }
}

impl Book {
    /// Looks for everything that the decisions read; here all of it is at hand.
    fn load(&mut self, sender: Uuid, commands: &[Command]) {
        let world = &mut self.world;
        loop {
            let wants = world.wants(commands.iter().map(|command| (sender, command)));
            if wants.is_empty() {
                return;
            }
            for subject in wants.subjects {
                world.heads.entry(subject).or_default();
            }
            for (spot, since) in wants.spots {
                let put_on = self.entries.iter().filter(|e| e.facts.put_on().contains(&spot));
                let casings = put_on.map(|entry| entry.subject.id).collect();
                world.spots.insert(spot, (since, casings));
            }
            world.wheels.extend(wants.wheels);
            world.axles.extend(wants.axles);
            world.models.extend(wants.models);
            world.charts.extend(wants.charts);
            world.takeovers.extend(wants.takeovers);
            for mark in wants.marks {
                world.owners.entry(mark).or_default();
            }
            for id in wants.retried {
                world.retried.entry(id).or_default();
            }
            for subject in wants.histories {
                let of = self.entries.iter().filter(|entry| entry.subject == subject);
                world.histories.insert(subject, of.cloned().collect());
            }
        }
    }

    fn decide(
        &mut self,
        sending: &Sending,
        sender: Sender,
        command: &Command,
        rest: &[Command],
    ) -> Result<Vec<Entry>, u16> {
        if let Some((before, entries)) = self.sent.get(&command.id) {
            return if before == command { Ok(entries.clone()) } else { Err(422) };
        }
        if self.world.unknown(command) {
            return Err(404);
        }
        if !self.world.dangling(command).is_empty() {
            return Err(422);
        }
        if self.world.forbidden(sender.person, command) {
            return Err(403);
        }
        let wants = self.world.wants([(sender.person, command)]);
        assert!(wants.is_empty(), "what those before it changed was not found: {wants:?}");
        let rest: Vec<&Command> = rest.iter().collect();
        // Nothing here is secret, so it needs no salt.
        let hash = command.personal.as_ref().map(|personal| personal_hash(&[], personal));
        let entries = decide(&self.world, sending.now, sender, command, &rest, hash);
        // What is sent late was not asked of the ledger as it stands now.
        if command.occurred_at == sending.now {
            agree::with(&self.world, command, sender, &entries[0]);
        }
        for entry in entries.iter().filter(|_| !sending.dry_run) {
            let line = Line::read(&entry.bytes()).unwrap();
            assert_eq!(
                format!("{line:?}"),
                format!("{:?}", Line::of(entry)),
                "the facts are as sent"
            );
            let read_back = Entry::from_bytes(&entry.bytes()).unwrap();
            assert_eq!(&read_back, entry, "an entry is what its bytes say");
            self.world.apply(entry);
            self.entries.push(entry.clone());
        }
        if !sending.dry_run {
            self.sent.insert(command.id, (command.clone(), entries.clone()));
        }
        Ok(entries)
    }

    fn open_refusals(&self, subject: Subject) -> Vec<Uuid> {
        let of = self.entries.iter().filter(|e| e.subject == subject && !e.recorded());
        let closed = |id| self.entries.iter().any(|e| e.recorded() && e.closes() == Some(id));
        of.map(|entry| entry.id).filter(|id| !closed(*id)).collect()
    }
}

impl Ledger for Memory {
    fn send_together(&mut self, sendings: &[Sending]) -> Vec<Result<Vec<Entry>, u16>> {
        let commands: Vec<Result<Command, u16>> =
            sendings.iter().map(|sending| self.read(sending)).collect();
        let good: Vec<Command> = commands.iter().flatten().cloned().collect();
        let one = &sendings[0];
        self.now = one.now;
        let sender = Sender { person: id(&one.person), sent_at: one.sent_at };
        let book = self.books.get_mut(&one.org).unwrap();
        book.load(sender.person, &good);
        let mut rest = &good[..];
        let mut answers = Vec::new();
        for (sending, command) in sendings.iter().zip(commands) {
            answers.push(command.and_then(|command| {
                rest = &rest[1..];
                book.decide(sending, sender, &command, rest)
            }));
        }
        answers
    }

    fn casing(&mut self, org: &str, casing: Uuid) -> Value {
        let (book, subject) = (&self.books[org], Subject::casing(casing));
        let Some(head) = book.world.heads.get(&subject) else {
            return Value::Null;
        };
        let folded = fold(book.entries.iter().filter(|entry| entry.subject == subject), None);
        assert_eq!(folded, head.state, "the row is the fold");
        let json = head.state.to_json().unwrap();
        let read_back = State::read(SubjectKind::Casing, &json).unwrap();
        let mut shown: Value = serde_json::from_slice(&json).unwrap();
        assert_eq!(read_back, head.state, "the row can be read back");
        if let State::Casing(_) = &head.state {
            shown["n"] = json!(head.n);
            shown["open_refusals"] = json!(book.open_refusals(subject));
            shown["due"] = json!(due::due(&book.world, casing, self.now));
        }
        shown
    }

    fn as_of(&mut self, org: &str, casing: Uuid, view: View) -> Value {
        let of = self.books[org].entries.iter().filter(|e| e.subject == Subject::casing(casing));
        let entries: Vec<Entry> = of.cloned().collect();
        serde_json::from_slice(&view.head(&entries).state.to_json().unwrap()).unwrap()
    }

    fn tagged(&mut self, org: &str, wheel: Uuid) -> bool {
        let head = &self.books[org].world.heads[&Subject::of(SubjectKind::Wheel, wheel)];
        head.state.registry().unwrap().tagged.is_some()
    }

    fn do_not_move(&mut self, org: &str, unit: &str) -> bool {
        let mut casings = self.books[org].world.casings();
        casings.any(|(_, casing)| casing.vehicle == Some(id(unit)) && casing.danger.is_some())
    }
}
