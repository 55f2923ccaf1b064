//! The thin shell: sockets, clock and store around the engine.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use rand::SeedableRng as _;
use rand::rngs::StdRng;
use tokio::net::UdpSocket;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

use super::eap_settings::{self, EapError};
use super::engine::Engine;
use super::handle::{Handle, Job, Told};
use super::writer::{Writer, send_all};
use crate::bench::Bench;
use crate::journal::{Journal, Link};
use crate::roster::{Effects, Roster, Transmit};
use crate::store::Store;
use crate::wire::MAX_PACKET;

/// How many datagrams one socket may deliver before the others get their turn.
const BURST: usize = 64;
/// How many entries stay in memory for those who watch.
const TAIL: usize = 20_000;

/// A running bench. Dropping it does not stop it; [`Server::stop`] does.
pub struct Server {
    /// What it listens on.
    pub bound: Bound,
    /// The way in.
    pub handle: Handle,
    /// The journal, to follow.
    pub journal: Arc<Journal>,
    stop: watch::Sender<bool>,
    task: JoinHandle<()>,
}

/// The addresses that were bound.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bound {
    /// Authentication.
    pub authentication: SocketAddr,
    /// Accounting.
    pub accounting: SocketAddr,
    /// Where changes leave from.
    pub change: SocketAddr,
    /// DHCP listener.
    pub dhcp: Option<SocketAddr>,
}

/// Why a bench did not start.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StartError {
    /// A port could not be bound.
    #[error("can't listen on {address} for {what}: {source}{}", remedy(.source))]
    Bind {
        /// Where.
        address: SocketAddr,
        /// What for.
        what: &'static str,
        /// Why not.
        source: io::Error,
    },
    /// The state file.
    #[error(transparent)]
    Store(#[from] crate::store::StoreError),
    /// The EAP part of the bench.
    #[error(transparent)]
    Eap(#[from] EapError),
    /// No thread to be had.
    #[error("the system gave no thread: {0}")]
    Thread(io::Error),
}

fn remedy(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::AddrInUse => {
            "; another program has the port: stop it, or change 'listen' in the bench file"
        }
        io::ErrorKind::PermissionDenied => {
            "; ports below 1024 need permission: choose a higher one in 'listen'"
        }
        io::ErrorKind::AddrNotAvailable => {
            "; this machine has no such address: correct 'listen' in the bench file"
        }
        _ => "",
    }
}

/// The bench's sockets.
pub(super) struct Sockets {
    authentication: UdpSocket,
    accounting: UdpSocket,
    change: UdpSocket,
    dhcp: Option<UdpSocket>,
}

/// Starts a bench on its sockets. What the store remembers is taken up again.
///
/// # Errors
/// When a port can't be bound or the state file can't be read.
pub async fn start(bench: Arc<Bench>, store: Option<Store>) -> Result<Server, StartError> {
    let sockets = Arc::new(Sockets::bind(&bench).await?);
    let bound = sockets.bound(&bench)?;
    let eap = eap_settings::read(bench.eap.as_ref())?;
    let (roster, journal) = match &store {
        Some(store) => {
            let memory = store.reader()?.load()?;
            let roster = Roster::load(memory.devices, memory.sessions);
            (roster, store.journal(TAIL)?)
        }
        None => (Roster::default(), Journal::new(0, TAIL)),
    };
    let journal = Arc::new(journal);
    let writer = Writer::start(store, Arc::clone(&journal), Arc::clone(&sockets))
        .map_err(StartError::Thread)?;
    let mut engine = Engine::new(bench, roster, Box::new(StdRng::from_os_rng()));
    engine.set_change_address(bound.change);
    engine.offer_eap(eap);
    let (handle, jobs) = Handle::new();
    let (stop, stopped) = watch::channel(false);
    let work = Loop {
        engine,
        writer,
        sockets,
        bound: bound.clone(),
    };
    let task = tokio::spawn(work.run(jobs, stopped));
    Ok(Server {
        bound,
        handle,
        journal,
        stop,
        task,
    })
}

impl Server {
    /// Stops: what was received is stored first.
    pub async fn stop(self) {
        // The loop may have ended by itself.
        let _ = self.stop.send(true);
        if self.task.await.is_err() {
            tracing::error!("the bench loop ended badly");
        }
    }
}

impl Sockets {
    async fn bind(bench: &Bench) -> Result<Sockets, StartError> {
        let listen = &bench.listen;
        let any_port = SocketAddr::new(listen.authentication.ip(), 0);
        let dhcp = match listen.dhcp {
            Some(address) => Some(bind(address, "DHCP").await?),
            None => None,
        };
        Ok(Sockets {
            authentication: bind(listen.authentication, "authentication").await?,
            accounting: bind(listen.accounting, "accounting").await?,
            change: bind(any_port, "changes").await?,
            dhcp,
        })
    }

    fn bound(&self, bench: &Bench) -> Result<Bound, StartError> {
        let address = |socket: &UdpSocket, asked| {
            socket.local_addr().map_err(|source| StartError::Bind {
                address: asked,
                what: "its own address",
                source,
            })
        };
        let asked = bench.listen.authentication;
        Ok(Bound {
            authentication: address(&self.authentication, asked)?,
            accounting: address(&self.accounting, asked)?,
            change: address(&self.change, asked)?,
            dhcp: match &self.dhcp {
                Some(socket) => Some(address(socket, asked)?),
                None => None,
            },
        })
    }

    fn of(&self, link: Link) -> Option<&UdpSocket> {
        match link {
            Link::Authentication => Some(&self.authentication),
            Link::Accounting => Some(&self.accounting),
            Link::Change => Some(&self.change),
            Link::Dhcp => self.dhcp.as_ref(),
        }
    }

    /// Sends without waiting, from any thread.
    pub(super) fn send(&self, transmit: &Transmit) {
        let Some(socket) = self.of(transmit.link) else {
            return;
        };
        if let Err(error) = socket.try_send_to(&transmit.octets, transmit.to) {
            tracing::warn!(%error, to = %transmit.to, "a datagram could not be sent");
        }
    }
    /// Waits until one of them has something to read.
    async fn readable(&self) -> Link {
        let all = [
            Link::Authentication,
            Link::Accounting,
            Link::Change,
            Link::Dhcp,
        ];
        until_any_readable(all.iter().filter_map(|link| Some((link, self.of(*link)?)))).await
    }
}

/// Waits until one of the sockets has something to read, and says which. A wait that fails counts
/// as readable: the read after it says why.
pub(super) async fn until_any_readable<'a, K: Copy + 'a>(
    sockets: impl Iterator<Item = (&'a K, &'a UdpSocket)>,
) -> K {
    let mut waits: Vec<_> = sockets
        .map(|(key, socket)| {
            Box::pin(async move {
                let _ = socket.readable().await;
                *key
            })
        })
        .collect();
    std::future::poll_fn(move |context| {
        for wait in &mut waits {
            if let std::task::Poll::Ready(key) = wait.as_mut().poll(context) {
                return std::task::Poll::Ready(key);
            }
        }
        std::task::Poll::Pending
    })
    .await
}

async fn bind(address: SocketAddr, what: &'static str) -> Result<UdpSocket, StartError> {
    bind_writable(address)
        .await
        .map_err(|source| StartError::Bind {
            address,
            what,
            source,
        })
}

/// Binds a socket that takes a datagram at once: without the wait the runtime does not know yet
/// that it can, and a first send that does not wait would be refused.
pub(super) async fn bind_writable(address: SocketAddr) -> io::Result<UdpSocket> {
    let socket = UdpSocket::bind(address).await?;
    socket.writable().await?;
    Ok(socket)
}

struct Loop {
    engine: Engine,
    writer: Writer,
    sockets: Arc<Sockets>,
    bound: Bound,
}

impl Loop {
    async fn run(mut self, mut jobs: mpsc::Receiver<Job>, mut stop: watch::Receiver<bool>) {
        let mut buffer = vec![0; MAX_PACKET + 1];
        let sockets = Arc::clone(&self.sockets);
        self.let_out(self.engine.started(Timestamp::now()), None);
        loop {
            let due = sleep_until(self.engine.next_deadline());
            tokio::select! {
                biased;
                _ = stop.changed() => break,
                Some(job) = jobs.recv() => {
                    let (effects, told) = job(&mut self.engine, Timestamp::now());
                    self.let_out(effects, Some(told));
                }
                link = sockets.readable() => self.read(link, &mut buffer),
                () = due => {}
            }
            self.tick();
        }
        // What is queued is stored before the bench is gone.
        let finished = tokio::task::spawn_blocking(move || self.writer.finish()).await;
        if finished.is_err() {
            tracing::error!("the writer could not be waited for");
        }
    }

    fn tick(&mut self) {
        let now = Timestamp::now();
        if self.engine.next_deadline().is_some_and(|due| due <= now) {
            let effects = self.engine.tick(now);
            self.let_out(effects, None);
        }
    }

    /// Drains one socket, up to a burst.
    fn read(&mut self, link: Link, buffer: &mut [u8]) {
        let sockets = Arc::clone(&self.sockets);
        let Some(socket) = sockets.of(link) else {
            return;
        };
        for _ in 0..BURST {
            let (length, peer) = match socket.try_recv_from(buffer) {
                Ok(received) => received,
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return,
                Err(error) => {
                    // An ICMP error of an earlier datagram, which any peer can cause: never a
                    // reason to stop.
                    tracing::debug!(%error, "a receive failed");
                    continue;
                }
            };
            let octets = buffer.get(..length).unwrap_or_default();
            let effects =
                self.engine
                    .datagram(Timestamp::now(), link, self.local(link), peer, octets);
            self.let_out(effects, None);
        }
    }

    fn local(&self, link: Link) -> SocketAddr {
        match link {
            Link::Authentication => self.bound.authentication,
            Link::Accounting => self.bound.accounting,
            Link::Change => self.bound.change,
            Link::Dhcp => self.bound.dhcp.unwrap_or(self.bound.authentication),
        }
    }

    /// Answers to Access-Requests leave at once: they acknowledge nothing that a crash could
    /// lose. Accounting-Responses and changes leave once they are stored.
    fn let_out(&self, mut effects: Effects, told: Option<Told>) {
        let (now, stored): (Vec<_>, Vec<_>) = std::mem::take(&mut effects.transmits)
            .into_iter()
            .partition(|transmit| transmit.link == Link::Authentication);
        send_all(&self.sockets, &now);
        effects.transmits = stored;
        if !effects.is_empty() {
            self.writer.put(effects, told);
        } else if let Some(told) = told {
            told();
        }
    }
}

pub(super) async fn sleep_until(deadline: Option<Timestamp>) {
    let Some(deadline) = deadline else {
        return std::future::pending().await;
    };
    let wait = deadline.duration_since(Timestamp::now());
    let wait = Duration::try_from(wait).unwrap_or(Duration::ZERO);
    tokio::time::sleep(wait).await;
}
