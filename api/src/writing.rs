//! A request that writes something registered, with what it is known by when it comes again.

use crate::auth::Caller;
use crate::headers::{DeviceTime, IdempotencyKey};
use crate::input::Body;
use crate::problem::Problem;
use crate::state::State;
use crate::strict::{self, Strict};
use actix_web::dev::Payload;
use actix_web::web::{self, Bytes};
use actix_web::{FromRequest, HttpRequest};
use futures_util::future::LocalBoxFuture;
use rules::Command;
use rules::entry::Sender;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use store::record::{Request, Sent};
use uuid::Uuid;

/// A request that writes, once for its `Idempotency-Key`.
pub struct Writing {
    /// The parts of the service.
    pub state: web::Data<State>,
    /// Who sends it.
    pub caller: Caller,
    /// The id of the entry that it becomes.
    pub entry: Uuid,
    /// By what it is known when it comes again: method, address and body.
    pub content: [u8; 32],
    sender: Sender,
    body: Bytes,
    sent: Value,
}

impl Writing {
    /// Its body.
    ///
    /// # Errors
    /// 400 naming the first field that cannot be read.
    pub fn read<T: DeserializeOwned + Serialize>(&self) -> Result<T, Problem> {
        let Body(read) = Body::read(&self.body)?;
        strict::by_name(&self.sent, &read)?;
        Ok(read)
    }

    /// The command, as the store takes it.
    #[must_use]
    pub fn request(&self, command: Command) -> [Request; 1] {
        let sent = Sent { command, content: self.content };
        [Request { sender: self.sender, commands: vec![sent] }]
    }
}

impl Writing {
    async fn extract_from(
        request: HttpRequest,
        body: Bytes,
        address: &str,
        sent: Value,
    ) -> Result<Writing, actix_web::Error> {
        let state = web::Data::<State>::extract(&request).await?;
        let caller = Caller::extract(&request).await?;
        let DeviceTime(sent_at) = DeviceTime::extract(&request).await?;
        let entry = IdempotencyKey::extract(&request).await?.entry_id(caller.person);
        let whole = json!({"method": request.method().as_str(), "path": address, "body": &sent});
        let content = state.keys.content(caller.org, &rules::canonical::bytes_of(&whole));
        let sender = Sender { person: caller.person, sent_at };
        Ok(Writing { state, caller, entry, content, sender, body, sent })
    }
}

impl FromRequest for Writing {
    type Error = actix_web::Error;
    type Future = LocalBoxFuture<'static, Result<Writing, actix_web::Error>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let bytes = Bytes::from_request(request, payload);
        let request = request.clone();
        Box::pin(async move {
            let body = bytes.await?;
            let Body(Strict(sent)) = Body::read(&body)?;
            let address = request.path().to_owned();
            Writing::extract_from(request, body, &address, sent).await
        })
    }
}

/// A file that is written, once for its `Idempotency-Key`. What it is about is in the query.
pub struct Upload(Writing);

impl Upload {
    /// The file.
    #[must_use]
    pub fn file(&self) -> &[u8] {
        &self.0.body
    }

    /// The request that it is written by.
    #[must_use]
    pub fn writing(&self) -> &Writing {
        &self.0
    }
}

impl FromRequest for Upload {
    type Error = actix_web::Error;
    type Future = LocalBoxFuture<'static, Result<Upload, actix_web::Error>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let bytes = Bytes::from_request(request, payload);
        let request = request.clone();
        Box::pin(async move {
            let body = bytes.await?;
            // What is not UTF-8 is never written.
            let sent = json!(String::from_utf8_lossy(&body));
            let address = request.uri().to_string();
            Writing::extract_from(request, body, &address, sent).await.map(Upload)
        })
    }
}
