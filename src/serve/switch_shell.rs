//! Sockets and a clock for the stand-in.

use std::collections::BTreeMap;
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use jiff::Timestamp;
use tokio::net::UdpSocket;
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinHandle;

use super::handle::Stopped;
use super::shell::{bind_writable, sleep_until, until_any_readable};
use crate::stand_in::{Outputs, Socket, StandIn, SwitchEvent};
use crate::wire::MAX_PACKET;

type Job = Box<dyn FnOnce(&mut StandIn, Timestamp) -> Outputs + Send>;

/// A stand-in on real sockets.
pub struct RunningSwitch {
    jobs: mpsc::Sender<Job>,
    /// Whether datagrams pass between it and the bench.
    open: Arc<AtomicBool>,
    task: JoinHandle<()>,
}

/// A socket that the stand-in could not have.
#[derive(Debug, thiserror::Error)]
#[error("the stand-in can't listen on {address}: {source}; change its address or change port")]
pub struct SwitchStartError {
    /// Where.
    pub address: SocketAddr,
    /// Why not.
    pub source: io::Error,
}

/// The sockets of a stand-in, bound before it starts, so that the bench can be told its change
/// port.
pub struct SwitchSockets {
    sockets: Arc<BTreeMap<Socket, UdpSocket>>,
}

impl SwitchSockets {
    /// Binds what the stand-in asks for.
    ///
    /// # Errors
    /// When an address can't be bound.
    pub async fn bind(switch: &StandIn) -> Result<SwitchSockets, SwitchStartError> {
        let mut sockets = BTreeMap::new();
        for need in switch.sockets() {
            let bound = bind_writable(need.bind)
                .await
                .map_err(|source| SwitchStartError {
                    address: need.bind,
                    source,
                })?;
            sockets.insert(need.socket, bound);
        }
        Ok(SwitchSockets {
            sockets: Arc::new(sockets),
        })
    }

    /// Switches the stand-in on. Its events arrive on the returned channel, in order.
    #[must_use]
    pub fn start(self, switch: StandIn) -> (RunningSwitch, mpsc::UnboundedReceiver<SwitchEvent>) {
        let (jobs, work) = mpsc::channel(64);
        let (tell, events) = mpsc::unbounded_channel();
        let open = Arc::new(AtomicBool::new(true));
        let shell = Shell {
            switch,
            sockets: self.sockets,
            open: Arc::clone(&open),
            tell,
        };
        let task = tokio::spawn(shell.run(work));
        (RunningSwitch { jobs, open, task }, events)
    }
}

impl RunningSwitch {
    /// Does something on the switch, such as plugging a device in.
    ///
    /// # Errors
    /// When it has stopped.
    pub async fn call<R, F>(&self, work: F) -> Result<R, Stopped>
    where
        R: Send + 'static,
        F: FnOnce(&mut StandIn, Timestamp) -> (R, Outputs) + Send + 'static,
    {
        let (done, result) = oneshot::channel();
        let job: Job = Box::new(move |switch, now| {
            let (value, outputs) = work(switch, now);
            // The caller may have gone away; the outputs stand all the same.
            let _ = done.send(value);
            outputs
        });
        self.jobs.send(job).await.map_err(|_| Stopped)?;
        result.await.map_err(|_| Stopped)
    }

    /// Whether the way to the bench is open.
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.open.load(Ordering::Relaxed)
    }

    /// Cuts or mends the way to the bench.
    pub fn set_open(&self, open: bool) {
        self.open.store(open, Ordering::Relaxed);
    }

    /// Stops it without a word to the bench, as a pulled plug would.
    pub fn stop(self) {
        self.task.abort();
    }
}

struct Shell {
    switch: StandIn,
    sockets: Arc<BTreeMap<Socket, UdpSocket>>,
    open: Arc<AtomicBool>,
    tell: mpsc::UnboundedSender<SwitchEvent>,
}

impl Shell {
    async fn run(mut self, mut work: mpsc::Receiver<Job>) {
        let sockets = Arc::clone(&self.sockets);
        let started = self.switch.start(Timestamp::now());
        self.let_out(started);
        let mut buffer = vec![0; MAX_PACKET + 1];
        loop {
            let due = sleep_until(self.switch.next_deadline());
            tokio::select! {
                job = work.recv() => match job {
                    Some(job) => {
                        let outputs = job(&mut self.switch, Timestamp::now());
                        self.let_out(outputs);
                    }
                    None => return,
                },
                socket = until_any_readable(sockets.iter()) => {
                    self.read(socket, &sockets, &mut buffer);
                }
                () = due => {}
            }
            let now = Timestamp::now();
            if self.switch.next_deadline().is_some_and(|due| due <= now) {
                let outputs = self.switch.tick(now);
                self.let_out(outputs);
            }
        }
    }

    fn read(&mut self, socket: Socket, sockets: &BTreeMap<Socket, UdpSocket>, buffer: &mut [u8]) {
        let Some(bound) = sockets.get(&socket) else {
            return;
        };
        // An error is an ICMP answer to an earlier datagram, or nothing to read after all.
        while let Ok((length, peer)) = bound.try_recv_from(buffer) {
            if !self.open.load(Ordering::Relaxed) {
                continue;
            }
            let octets = buffer.get(..length).unwrap_or_default();
            let outputs = self.switch.handle(Timestamp::now(), socket, peer, octets);
            self.let_out(outputs);
        }
    }

    fn let_out(&self, outputs: Outputs) {
        for event in outputs.events {
            // Nobody may be listening.
            let _ = self.tell.send(event);
        }
        if !self.open.load(Ordering::Relaxed) {
            return;
        }
        for transmit in outputs.transmits {
            let sent = self
                .sockets
                .get(&transmit.socket)
                .map(|socket| socket.try_send_to(&transmit.octets, transmit.to));
            if let Some(Err(error)) = sent {
                tracing::warn!(%error, to = %transmit.to, "a datagram of the stand-in was lost");
            }
        }
    }
}
