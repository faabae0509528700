//! Refresh tokens: a family a session, one successor a generation.
//!
//! A token names its organisation, family and generation and proves them with
//! HMAC(server's secret, organisation, family, generation), so the successor of a token can be
//! derived again and needs no storing in clear. The database keeps only the SHA-256 of the
//! current one.

use crate::keys::Keys;
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};
use store::account::Family;
use uuid::Uuid;

/// How long a used token may be sent again by the same device, because the answer to it
/// was lost: a lost answer must not sign a truck out.
pub const REPLAY: TimeDelta = TimeDelta::seconds(60);

/// What a refresh token says. It is to be believed only if [`Presented::genuine`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Presented {
    /// The organisation.
    pub org: Uuid,
    /// The family.
    pub family: Uuid,
    /// How many tokens of the family were made before it.
    pub generation: i32,
    proof: [u8; 32],
}

impl Presented {
    /// Reads a token's form.
    #[must_use]
    pub fn read(token: &str) -> Option<Presented> {
        let bytes: [u8; 68] = BASE64_URL_SAFE_NO_PAD.decode(token).ok()?.try_into().ok()?;
        let (name, proof) = bytes.split_at(36);
        Some(Presented {
            org: Uuid::from_slice(&name[..16]).ok()?,
            family: Uuid::from_slice(&name[16..32]).ok()?,
            generation: i32::from_be_bytes(name[32..].try_into().ok()?),
            proof: proof.try_into().ok()?,
        })
    }

    /// Whether this installation made it.
    #[must_use]
    pub fn genuine(&self, keys: &Keys) -> bool {
        let expected = proof(keys, self.org, self.family, self.generation);
        // Hashing both sides leaves nothing to learn from the time a comparison takes.
        Sha256::digest(expected) == Sha256::digest(self.proof)
    }
}

fn name(org: Uuid, family: Uuid, generation: i32) -> Vec<u8> {
    [&org.as_bytes()[..], &family.as_bytes()[..], &generation.to_be_bytes()[..]].concat()
}

fn proof(keys: &Keys, org: Uuid, family: Uuid, generation: i32) -> [u8; 32] {
    keys.mac("refresh", &name(org, family, generation))
}

/// The token of a family's generation; always the same one.
#[must_use]
pub fn token(keys: &Keys, org: Uuid, family: Uuid, generation: i32) -> String {
    let mut bytes = name(org, family, generation);
    bytes.extend(proof(keys, org, family, generation));
    BASE64_URL_SAFE_NO_PAD.encode(bytes)
}

/// What the database keeps of a token.
#[must_use]
pub fn hash(token: &str) -> Vec<u8> {
    Sha256::digest(token.as_bytes()).to_vec()
}

/// What follows from presenting a genuine token.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// It is the current one: the family goes on with its successor.
    Rotate,
    /// Its answer was lost: the same successor is given again.
    Repeat,
    /// It was used before, or by another device: the family ends.
    Stolen,
    /// The session is over, or the token is not one of it.
    Over,
}

/// Judges a genuine token against the family it names.
#[must_use]
pub fn judge(
    family: &Family,
    generation: i32,
    hash: &[u8],
    device: Uuid,
    now: DateTime<Utc>,
) -> Verdict {
    if family.ended_at.is_some() || now >= family.expires_at || generation > family.generation {
        Verdict::Over
    } else if device != family.device_id {
        Verdict::Stolen
    } else if generation == family.generation {
        if hash == family.token_hash { Verdict::Rotate } else { Verdict::Over }
    } else if generation + 1 == family.generation && now - family.rotated_at <= REPLAY {
        // The current token is the successor, so nobody has used it yet.
        Verdict::Repeat
    } else {
        Verdict::Stolen
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ORG: Uuid = Uuid::from_u128(1);
    const FAMILY: Uuid = Uuid::from_u128(2);
    const DEVICE: Uuid = Uuid::from_u128(3);

    fn at(seconds: i64) -> DateTime<Utc> {
        "2026-03-02T08:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::seconds(seconds)
    }

    /// A family whose third token is current since second 0.
    fn family(current: &[u8]) -> Family {
        Family {
            id: FAMILY,
            person_id: Uuid::from_u128(4),
            device_id: DEVICE,
            generation: 2,
            token_hash: current.to_vec(),
            rotated_at: at(0),
            expires_at: at(1000),
            ended_at: None,
        }
    }

    // Common practice, no published source.
    #[test]
    fn a_token_names_its_family_and_cannot_be_forged() {
        let folder = tempfile::tempdir().unwrap();
        let keys = Keys::open(folder.path()).unwrap();
        let made = token(&keys, ORG, FAMILY, 7);
        assert_eq!(made, token(&keys, ORG, FAMILY, 7));
        let read = Presented::read(&made).unwrap();
        assert_eq!((read.org, read.family, read.generation), (ORG, FAMILY, 7));
        assert!(read.genuine(&keys));
        assert!(!Presented { generation: 8, ..read }.genuine(&keys));
        assert!(!Presented { org: FAMILY, ..read }.genuine(&keys));
        assert!(!Presented { proof: [0; 32], ..read }.genuine(&keys));
        for nonsense in ["", "x", &made[1..], &format!("{made}A")] {
            assert!(Presented::read(nonsense).is_none());
        }
    }

    // RFC 9700 section 4.14.2 (rotation, reuse ends the family), softened for lost answers:
    // the same successor within 60 s, to the same device, while unused.
    #[test]
    fn every_way_of_presenting_a_token_is_judged() {
        let current = hash("current");
        let family = family(&current);
        let judged = |generation, hash: &[u8], device, seconds| {
            judge(&family, generation, hash, device, at(seconds))
        };
        let old = hash("old");
        assert_eq!(judged(2, &current, DEVICE, 999), Verdict::Rotate);
        assert_eq!(judged(1, &old, DEVICE, 60), Verdict::Repeat);
        assert_eq!(judged(1, &old, DEVICE, 61), Verdict::Stolen);
        assert_eq!(judged(0, &old, DEVICE, 1), Verdict::Stolen);
        assert_eq!(judged(1, &old, ORG, 1), Verdict::Stolen);
        assert_eq!(judged(2, &current, ORG, 1), Verdict::Stolen);
        assert_eq!(judged(2, &old, DEVICE, 1), Verdict::Over);
        assert_eq!(judged(3, &old, DEVICE, 1), Verdict::Over);
        assert_eq!(judged(2, &current, DEVICE, 1000), Verdict::Over);
        let ended = Family { ended_at: Some(at(0)), ..family.clone() };
        assert_eq!(judge(&ended, 2, &current, DEVICE, at(1)), Verdict::Over);
        assert_eq!(judge(&ended, 0, &old, DEVICE, at(1)), Verdict::Over);
    }
}
