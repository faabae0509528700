//! Gathering: what arrives while an organisation's last transaction is still being written is
//! recorded in its next one, together.
//!
//! Nothing ever waits for more to come: an organisation with nothing under way begins at once.
//! Under load the fixed cost of a transaction is shared; at rest a single entry pays nothing.

use crate::record::{Answer, Request, record};
use crate::{Connection, Store, StoreError};
use chrono::{DateTime, Utc};
use futures_util::future::FutureExt;
use futures_util::stream::{FuturesUnordered, StreamExt};
use std::collections::{HashMap, VecDeque};
use std::io;
use std::panic::AssertUnwindSafe;
use std::sync::Arc;
use std::thread;
use std::time::Duration;
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, oneshot};
use uuid::Uuid;

/// Commands that may wait in a process at most; beyond that it is busy.
const WAITING: usize = 4096;
/// Commands of one transaction at most.
const TOGETHER: usize = 128;
/// A transaction that takes longer is given up.
const LONGEST: Duration = Duration::from_secs(12);

/// The way to record requests gathered with others'.
pub struct Gatherer {
    queue: UnboundedSender<Waiting>,
    room: Arc<Semaphore>,
}

/// A request that waits for its answers.
struct Waiting {
    org: Uuid,
    request: Request,
    answers: oneshot::Sender<Result<Vec<Answer>, StoreError>>,
    /// Its share of the room to wait in, given back when it goes.
    room: OwnedSemaphorePermit,
}

impl Gatherer {
    /// Starts the one task of this process that gathers, on a thread of its own; it ends when
    /// the last handle is gone and all is answered. `now` is the clock of what is recorded.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(
        store: &Store,
        now: impl Fn() -> DateTime<Utc> + Send + Sync + 'static,
    ) -> io::Result<Gatherer> {
        let (queue, waiting) = unbounded_channel();
        // Its connections are driven on its own thread.
        let store = store.apart();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        thread::Builder::new()
            .name("gatherer".to_owned())
            .spawn(move || runtime.block_on(supervise(store, Arc::new(now), waiting)))?;
        Ok(Gatherer { queue, room: Arc::new(Semaphore::new(WAITING)) })
    }

    /// Records a request as [`record`](record()) does, in one transaction with what else waits
    /// for the organisation. It is recorded even where the caller has gone meanwhile.
    ///
    /// # Errors
    /// [`StoreError::Busy`] where too much waits already; else what `record` answers.
    pub async fn record(&self, org: Uuid, request: Request) -> Result<Vec<Answer>, StoreError> {
        let size = u32::try_from(request.commands.len()).unwrap_or(u32::MAX);
        let room = self.room.clone().try_acquire_many_owned(size).map_err(|_| StoreError::Busy)?;
        let (answers, answered) = oneshot::channel();
        let lost = || StoreError::Unavailable("the gathering task failed".to_owned());
        self.queue.send(Waiting { org, request, answers, room }).map_err(|_| lost())?;
        answered.await.map_err(|_| lost())?
    }
}

type Clock = Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>;

/// Keeps gathering, whatever happens to it. Callers whose requests were under way when it
/// failed get an error and can send them again.
async fn supervise(store: Store, now: Clock, mut waiting: UnboundedReceiver<Waiting>) {
    while AssertUnwindSafe(gather(&store, &now, &mut waiting)).catch_unwind().await.is_err() {
        tracing::error!("the gathering task failed and is started again");
    }
}

/// Gathers until nobody can send any more. An organisation has one transaction under way at
/// most; one that is slow holds up no other.
async fn gather(store: &Store, now: &Clock, waiting: &mut UnboundedReceiver<Waiting>) {
    // An organisation has a queue while it has something under way.
    let mut queues: HashMap<Uuid, VecDeque<Waiting>> = HashMap::new();
    let mut under_way = FuturesUnordered::new();
    loop {
        let begun: Vec<Uuid> = tokio::select! {
            Some(first) = waiting.recv() => {
                let mut idle = Vec::new();
                let more = std::iter::from_fn(|| waiting.try_recv().ok());
                for one in std::iter::once(first).chain(more) {
                    let queue = queues.entry(one.org).or_insert_with(|| {
                        idle.push(one.org);
                        VecDeque::new()
                    });
                    queue.push_back(one);
                }
                idle
            }
            Some(org) = under_way.next() => vec![org],
            else => return,
        };
        for org in begun {
            let batch = queues.get_mut(&org).map(take).unwrap_or_default();
            if batch.is_empty() {
                queues.remove(&org);
            } else {
                under_way.push(write(store, now, org, batch));
            }
        }
    }
}

/// The first of those that wait, up to the size of a transaction; one request is never parted.
fn take(queue: &mut VecDeque<Waiting>) -> Vec<Waiting> {
    let mut commands = 0;
    let mut batch = Vec::new();
    while let Some(first) = queue.front() {
        commands += first.request.commands.len();
        if commands > TOGETHER && !batch.is_empty() {
            break;
        }
        batch.extend(queue.pop_front());
    }
    batch
}

/// Records a batch and answers everybody. Where it fails, each is recorded alone, so that a
/// request that cannot be recorded holds up no other.
async fn write(store: &Store, now: &Clock, org: Uuid, batch: Vec<Waiting>) -> Uuid {
    let (requests, answers): (Vec<Request>, Vec<_>) =
        batch.into_iter().map(|one| (one.request, (one.answers, one.room))).unzip();
    let mut whole = attempt(store, now, org, &requests).await.map(Vec::into_iter);
    for (request, (answer, _room)) in requests.iter().zip(answers) {
        let own = match &mut whole {
            Ok(whole) => whole.next().ok_or(StoreError::Overtaken),
            Err(StoreError::Unavailable(cause)) => Err(StoreError::Unavailable(cause.clone())),
            Err(_) => {
                let alone = attempt(store, now, org, std::slice::from_ref(request)).await;
                alone.map(|mut alone| alone.pop().unwrap_or_default())
            }
        };
        // Whoever has gone meanwhile sends it again and gets the same answer.
        let _gone = answer.send(own);
    }
    org
}

async fn attempt(
    store: &Store,
    now: &Clock,
    org: Uuid,
    requests: &[Request],
) -> Result<Vec<Vec<Answer>>, StoreError> {
    let work = async |conn: &mut Connection| record(conn, org, now(), requests).await;
    let recorded = AssertUnwindSafe(store.in_org(org, work)).catch_unwind();
    match tokio::time::timeout(LONGEST, recorded).await {
        Ok(Ok(answers)) => answers,
        Ok(Err(_)) => Err(StoreError::Broken("a decision panicked".to_owned())),
        Err(_) => Err(StoreError::Unavailable("a transaction took too long".to_owned())),
    }
}
