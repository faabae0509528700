//! Access tokens: RFC 9068 `at+jwt`, signed with Ed25519, valid for 15 minutes.
//!
//! A token says who: organisation, person and session. What the person may do is read from
//! the database each time. Expiry is judged by the service's own clock, so that tests can set it.

use crate::keys::Keys;
use crate::state::State;
use actix_web::http::header::CacheControl;
use actix_web::http::header::CacheDirective::{MaxAge, Public};
use actix_web::{HttpResponse, Responder, get, web};
use chrono::{DateTime, Utc};
use jsonwebtoken::{Algorithm, Header, Validation, decode, decode_header, encode};
use quick_cache::sync::Cache;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::sync::Arc;
use utoipa::ToSchema;
use uuid::Uuid;

/// How long a token is valid, in seconds.
pub const LIFE_S: i64 = 900;

/// By how much clocks may differ, in seconds.
pub const LEEWAY_S: i64 = 30;

/// `iss` and `aud`: tokens of one installation are good for nothing else, because its keys
/// are its own.
pub const ISSUER: &str = "proofhold";

const TYPE: &str = "at+jwt";

/// What a token says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Claims {
    /// Who made the token.
    pub iss: String,
    /// Whom it is for.
    pub aud: String,
    /// The signed-in person.
    pub sub: Uuid,
    /// The organisation.
    pub org: Uuid,
    /// The session: the family of refresh tokens that it belongs to.
    pub sid: Uuid,
    /// The client; people sign in with Proofhold itself.
    pub client_id: String,
    /// When it was made, Unix seconds.
    pub iat: i64,
    /// When it ends, Unix seconds.
    pub exp: i64,
    /// Its own id.
    pub jti: Uuid,
    /// Not valid before, Unix seconds; Proofhold sets none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nbf: Option<i64>,
}

/// Makes a token for a person's session. It ends when the session does, if that is sooner
/// than 15 minutes.
///
/// # Errors
/// When signing fails.
pub fn issue(
    keys: &Keys,
    now: DateTime<Utc>,
    (org, person, session): (Uuid, Uuid, Uuid),
    session_ends: DateTime<Utc>,
) -> Result<(String, Claims), jsonwebtoken::errors::Error> {
    let claims = Claims {
        iss: ISSUER.to_owned(),
        aud: ISSUER.to_owned(),
        sub: person,
        org,
        sid: session,
        client_id: ISSUER.to_owned(),
        iat: now.timestamp(),
        exp: (now.timestamp() + LIFE_S).min(session_ends.timestamp()),
        jti: Uuid::now_v7(),
        nbf: None,
    };
    let key = keys.signing();
    let header = Header {
        typ: Some(TYPE.to_owned()),
        kid: Some(key.kid.clone()),
        ..Header::new(Algorithm::EdDSA)
    };
    Ok((encode(&header, &claims, &key.signing)?, claims))
}

/// Tokens whose signature was verified, so that it is verified once and not on every request.
/// Only what passes is remembered, so nobody can fill it with tokens of their own making.
pub struct Verified(Cache<[u8; 32], Arc<Proved>>);

/// How many tokens are remembered; what is asked for least is forgotten first.
const REMEMBERED: usize = 16_384;

/// What a token with a good signature says, and the key that it is signed with.
struct Proved {
    claims: Claims,
    kid: String,
}

impl Default for Verified {
    fn default() -> Verified {
        Verified(Cache::new(REMEMBERED))
    }
}

impl Verified {
    /// What a token says, if it is ours and valid at `now`. Its times and whether its key still
    /// lives are judged every time.
    #[must_use]
    pub fn verify(&self, keys: &Keys, now: DateTime<Utc>, token: &str) -> Option<Claims> {
        let digest: [u8; 32] = Sha256::digest(token).into();
        let known = self.0.get(&digest).filter(|proved| keys.verifying(&proved.kid).is_some());
        let proved = match known {
            Some(proved) => proved,
            None => {
                let proved = Arc::new(prove(keys, token)?);
                self.0.insert(digest, proved.clone());
                proved
            }
        };
        let (claims, now) = (&proved.claims, now.timestamp());
        let begun = claims.nbf.unwrap_or(claims.iat) <= now + LEEWAY_S;
        (begun && now <= claims.exp + LEEWAY_S).then(|| claims.clone())
    }
}

/// What a token says, if it is signed with one of our keys. The algorithm, type, issuer and
/// audience are fixed here and never taken from the token (RFC 8725); its `jku`, `jwk` and
/// `x5u` are not looked at.
fn prove(keys: &Keys, token: &str) -> Option<Proved> {
    let header = decode_header(token).ok()?;
    let typed = header.typ?.to_ascii_lowercase();
    if typed != TYPE && typed != format!("application/{TYPE}") {
        return None;
    }
    let key = keys.verifying(&header.kid?)?;
    let mut expected = Validation::new(Algorithm::EdDSA);
    expected.set_issuer(&[ISSUER]);
    expected.set_audience(&[ISSUER]);
    expected.set_required_spec_claims(&["iss", "aud", "sub", "exp"]);
    // The library would ask the system's clock; the times are judged each time.
    expected.validate_exp = false;
    let claims: Claims = decode(token, &key.verifying, &expected).ok()?.claims;
    Some(Proved { claims, kid: key.kid.clone() })
}

/// A key that verifies access tokens (RFC 8037).
#[derive(Debug, Serialize, ToSchema)]
pub struct PublicKey {
    /// Always `OKP`.
    #[schema(example = "OKP")]
    pub kty: &'static str,
    /// Always `Ed25519`.
    #[schema(example = "Ed25519")]
    pub crv: &'static str,
    /// The public key, base64url.
    #[schema(example = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo")]
    pub x: String,
    /// RFC 7638 thumbprint, the `kid` of tokens signed with it.
    #[schema(example = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k")]
    pub kid: String,
    /// Always `EdDSA`.
    #[schema(example = "EdDSA")]
    pub alg: &'static str,
    /// Always `sig`.
    #[serde(rename = "use")]
    #[schema(example = "sig")]
    pub usage: &'static str,
}

/// The keys that verify access tokens (RFC 7517).
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"keys": [{"kty": "OKP", "crv": "Ed25519", "x": "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo",
    "kid": "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k", "alg": "EdDSA", "use": "sig"}]}))]
pub struct PublicKeys {
    /// Newest first.
    pub keys: Vec<PublicKey>,
}

/// The keys that verify access tokens
///
/// A new key stands here ten minutes before it signs anything.
#[utoipa::path(
    tag = "sign-in",
    responses((status = 200, description = "The keys.", body = PublicKeys, content_type = "application/jwk-set+json"))
)]
#[get("/.well-known/jwks.json")]
pub async fn list_token_keys(state: web::Data<State>) -> impl Responder {
    let public = |key: &crate::keys::TokenKey| PublicKey {
        kty: "OKP",
        crv: "Ed25519",
        x: key.x.clone(),
        kid: key.kid.clone(),
        alg: "EdDSA",
        usage: "sig",
    };
    HttpResponse::Ok()
        .insert_header(CacheControl(vec![Public, MaxAge(300)]))
        .insert_header(("Content-Type", "application/jwk-set+json"))
        .json(PublicKeys { keys: state.keys.live().iter().map(|key| public(key)).collect() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeDelta;
    use jsonwebtoken::EncodingKey;
    use serde_json::json;

    struct Bench {
        _folder: tempfile::TempDir,
        keys: Keys,
        verified: Verified,
        now: DateTime<Utc>,
    }

    fn bench() -> Bench {
        let folder = tempfile::tempdir().unwrap();
        let keys = Keys::open(folder.path()).unwrap();
        let now = "2026-03-02T08:00:00Z".parse().unwrap();
        Bench { _folder: folder, keys, verified: Verified::default(), now }
    }

    impl Bench {
        fn claims(&self) -> Claims {
            let who = (Uuid::from_u128(1), Uuid::from_u128(2), Uuid::from_u128(3));
            issue(&self.keys, self.now, who, self.now + TimeDelta::days(30)).unwrap().1
        }

        fn header(&self) -> Header {
            let kid = Some(self.keys.signing().kid.clone());
            Header { typ: Some(TYPE.to_owned()), kid, ..Header::new(Algorithm::EdDSA) }
        }

        /// Whether a token with this header and these claims, signed with our key, is accepted.
        fn accepts(&self, header: &Header, claims: &impl Serialize) -> bool {
            let token = encode(header, claims, &self.keys.signing().signing).unwrap();
            self.verify(self.now, &token).is_some()
        }

        fn verify(&self, now: DateTime<Utc>, token: &str) -> Option<Claims> {
            self.verified.verify(&self.keys, now, token)
        }
    }

    fn unsigned(header: serde_json::Value, claims: &Claims) -> String {
        use base64::prelude::{BASE64_URL_SAFE_NO_PAD as B64, Engine};
        let part = |value: &[u8]| B64.encode(value);
        format!(
            "{}.{}.",
            part(header.to_string().as_bytes()),
            part(&serde_json::to_vec(claims).unwrap())
        )
    }

    // RFC 9068 sections 2.1 and 2.2: the type and the required claims.
    #[test]
    fn a_token_says_who_and_is_accepted_while_valid() {
        let bench = bench();
        let who = (Uuid::from_u128(1), Uuid::from_u128(2), Uuid::from_u128(3));
        let (token, claims) =
            issue(&bench.keys, bench.now, who, bench.now + TimeDelta::days(30)).unwrap();
        assert_eq!(decode_header(&token).unwrap().typ.as_deref(), Some("at+jwt"));
        assert_eq!((claims.org, claims.sub, claims.sid), who);
        assert_eq!(bench.verify(bench.now, &token), Some(claims.clone()));

        // RFC 8725 and common practice: leeway of at most 60 s, here 30 s.
        let at = |seconds| bench.now + TimeDelta::seconds(seconds);
        assert!(bench.verify(at(LIFE_S + LEEWAY_S), &token).is_some());
        assert!(bench.verify(at(LIFE_S + LEEWAY_S + 1), &token).is_none());
        assert!(bench.verify(at(-LEEWAY_S - 1), &token).is_none());
    }

    // RFC 9068 section 4: the issuer's key is asked for every time; common practice: only what
    // was verified is kept, and not without bound.
    #[test]
    fn a_token_is_remembered_while_its_key_lives() {
        let bench = bench();
        let token = |sub| {
            let claims = Claims { sub: Uuid::from_u128(sub), ..bench.claims() };
            encode(&bench.header(), &claims, &bench.keys.signing().signing).unwrap()
        };
        let first = token(1);
        assert!(bench.verify(bench.now, &first).is_some());
        assert!(bench.verify(bench.now, &format!("{first}A")).is_none());
        assert_eq!(bench.verified.0.len(), 1);
        assert!(bench.verify(bench.now, &first).is_some());
        assert_eq!(bench.verified.0.len(), 1);

        let other = self::bench();
        assert!(bench.verified.verify(&other.keys, bench.now, &first).is_none());

        let digest: [u8; 32] = Sha256::digest(&first).into();
        let proved = bench.verified.0.get(&digest).unwrap();
        for other in 0..REMEMBERED as u128 + 1000 {
            bench.verified.0.insert(Sha256::digest(other.to_be_bytes()).into(), proved.clone());
        }
        assert!(bench.verified.0.len() <= REMEMBERED);
    }

    // Common practice, no published source: a token does not outlive its session.
    #[test]
    fn a_token_ends_with_its_session() {
        let bench = bench();
        let who = (Uuid::nil(), Uuid::nil(), Uuid::nil());
        let (_, claims) =
            issue(&bench.keys, bench.now, who, bench.now + TimeDelta::minutes(1)).unwrap();
        assert_eq!(claims.exp - claims.iat, 60);
    }

    // RFC 8725 section 3.1; RFC 9068 section 4: `none` must be rejected.
    #[test]
    fn an_unsigned_token_is_rejected() {
        let bench = bench();
        let kid = bench.keys.signing().kid.clone();
        for alg in ["none", "None", "NONE", "EdDSA"] {
            let token = unsigned(json!({"alg": alg, "typ": TYPE, "kid": kid}), &bench.claims());
            assert!(bench.verify(bench.now, &token).is_none(), "{alg}");
        }
    }

    // RFC 8725 section 2.1: a public key used as an HMAC secret.
    #[test]
    fn a_token_signed_with_our_public_key_as_secret_is_rejected() {
        use base64::prelude::{BASE64_URL_SAFE_NO_PAD, Engine};
        let bench = bench();
        let key = bench.keys.signing();
        let header = Header { alg: Algorithm::HS256, ..bench.header() };
        for secret in [key.x.as_bytes().to_vec(), BASE64_URL_SAFE_NO_PAD.decode(&key.x).unwrap()] {
            let token =
                encode(&header, &bench.claims(), &EncodingKey::from_secret(&secret)).unwrap();
            assert!(bench.verify(bench.now, &token).is_none());
        }
    }

    // RFC 9068 section 4 (typ, iss, aud); RFC 8725 sections 3.8, 3.9 and 3.11.
    #[test]
    fn wrong_type_issuer_audience_or_key_is_rejected() {
        let bench = bench();
        let (header, claims) = (bench.header(), bench.claims());
        assert!(bench.accepts(&header, &claims));
        let long = Header { typ: Some("application/AT+JWT".to_owned()), ..header.clone() };
        assert!(bench.accepts(&long, &claims));

        let typed = |typ: Option<&str>| Header { typ: typ.map(str::to_owned), ..header.clone() };
        assert!(!bench.accepts(&typed(Some("JWT")), &claims));
        assert!(!bench.accepts(&typed(None), &claims));
        assert!(!bench.accepts(&header, &Claims { iss: "other".to_owned(), ..claims.clone() }));
        assert!(!bench.accepts(&header, &Claims { aud: "other".to_owned(), ..claims.clone() }));
        assert!(
            !bench.accepts(&header, &Claims { nbf: Some(claims.iat + 3600), ..claims.clone() })
        );
        let mut endless = serde_json::to_value(&claims).unwrap();
        endless.as_object_mut().unwrap().remove("exp");
        assert!(!bench.accepts(&header, &endless));
        for kid in [None, Some("../../etc/passwd"), Some("' OR 1=1 --"), Some("")] {
            let header = Header { kid: kid.map(str::to_owned), ..header.clone() };
            assert!(!bench.accepts(&header, &claims), "{kid:?}");
        }
    }

    // RFC 7515 section 5.2: the signature covers header and claims.
    #[test]
    fn a_changed_or_foreign_token_is_rejected() {
        let (bench, other) = (bench(), self::bench());
        let header = bench.header();
        let foreign = encode(&header, &bench.claims(), &other.keys.signing().signing).unwrap();
        assert!(bench.verify(bench.now, &foreign).is_none());

        let good = encode(&header, &bench.claims(), &bench.keys.signing().signing).unwrap();
        let changed = Claims { sub: Uuid::from_u128(9), ..bench.claims() };
        let body = encode(&header, &changed, &other.keys.signing().signing).unwrap();
        let parts: Vec<&str> = good.split('.').collect();
        let mixed = format!("{}.{}.{}", parts[0], body.split('.').nth(1).unwrap(), parts[2]);
        assert!(bench.verify(bench.now, &mixed).is_none());
        for nonsense in ["", ".", "..", "a.b.c", "Bearer"] {
            assert!(bench.verify(bench.now, nonsense).is_none());
        }
    }
}
