//! The live world: the bench on real sockets and the stand-in on others, in real time, over UDP on
//! loopback.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::mpsc::UnboundedReceiver;

use super::load::Loaded;
use super::observe::Observation;
use super::run::{Next, Outcome, Run};
use super::script::Step;
use super::stage::{self, BenchAt, StageError};
use crate::bench::Bench;
use crate::journal::{Follower, News};
use crate::serve::switch_shell::{RunningSwitch, SwitchSockets, SwitchStartError};
use crate::serve::{self, Server, StartError, Stopped};
use crate::stand_in::SwitchEvent;

/// Why a live drill could not run.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LiveError {
    /// The bench did not start.
    #[error(transparent)]
    Bench(#[from] StartError),
    /// The stand-in got no socket.
    #[error(transparent)]
    Switch(#[from] SwitchStartError),
    /// The drill's switch does not fit the bench.
    #[error("{0}")]
    Stage(String),
    /// One of them ended in the middle.
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// Runs a drill in real time on free ports of loopback. `show` is given each observation as it
/// happens.
///
/// # Errors
/// When a socket can't be had.
pub async fn run(
    loaded: &Loaded,
    seed: u64,
    show: impl FnMut(&Run, &Observation),
) -> Result<Outcome, LiveError> {
    let change_port = free_change_port(loaded)?;
    let loaded = Loaded {
        bench: Arc::new(on_free_ports(&loaded.bench, change_port)),
        ..loaded.clone()
    };
    let server = serve::start(Arc::clone(&loaded.bench), None).await?;
    let at = BenchAt {
        authentication: server.bound.authentication,
        accounting: server.bound.accounting,
        dhcp: server.bound.dhcp,
        change: server.bound.change,
    };
    let staged = |error: StageError| LiveError::Stage(error.to_string());
    let certificates = stage::certificates(&loaded, Timestamp::now()).map_err(staged)?;
    if let Some(certificates) = &certificates {
        let offer = certificates.settings().map_err(staged)?;
        server
            .handle
            .call(move |engine, _| (engine.offer_eap(Some(offer)), Default::default()))
            .await?;
    }
    let switch =
        stage::stand_in(&loaded, at, change_port, certificates.as_ref(), seed).map_err(staged)?;
    let run = Run::new(&loaded, seed, Timestamp::now());
    let entries = server.journal.follow(0);
    let (switch, events) = SwitchSockets::bind(&switch).await?.start(switch);
    let world = World {
        loaded: &loaded,
        server: &server,
        switch: &switch,
        show,
    };
    let outcome = world.play(run, entries, events).await;
    switch.stop();
    server.stop().await;
    outcome
}

struct World<'a, S> {
    loaded: &'a Loaded,
    server: &'a Server,
    switch: &'a RunningSwitch,
    show: S,
}

impl<S: FnMut(&Run, &Observation)> World<'_, S> {
    async fn play(
        mut self,
        mut run: Run,
        mut entries: Follower,
        mut events: UnboundedReceiver<SwitchEvent>,
    ) -> Result<Outcome, LiveError> {
        loop {
            match run.next(Timestamp::now()) {
                Next::Done => return Ok(run.outcome(Timestamp::now())),
                Next::Act(step) => {
                    self.show_last(&run);
                    if let Err(error) = self.act(*step).await? {
                        run.abort(&error.to_string());
                    }
                }
                Next::Wait(until) => {
                    let wait = Duration::try_from(until.duration_since(Timestamp::now()));
                    tokio::select! {
                        // The order in which two halves of one exchange are shown.
                        biased;
                        Some(event) = events.recv() => {
                            self.see(&mut run, Observation::of_event(&event));
                        }
                        news = entries.next(64) => self.see_entries(&mut run, &mut entries, news),
                        () = tokio::time::sleep(wait.unwrap_or_default()) => {}
                    }
                }
            }
        }
    }

    fn see_entries(&mut self, run: &mut Run, entries: &mut Follower, news: Option<News>) {
        match news {
            Some(News::Entries(found)) => {
                for entry in found {
                    run.see(&entry);
                    self.show_last(run);
                }
            }
            Some(News::Read { to, .. }) => entries.seen(to.saturating_sub(1)),
            Some(News::Anew { last }) => entries.seen(last),
            None => run.abort("the bench ended in the middle of the drill"),
        }
    }

    fn see(&mut self, run: &mut Run, observation: Observation) {
        run.observe(observation);
        self.show_last(run);
    }

    fn show_last(&mut self, run: &Run) {
        if let Some(last) = run.last_seen() {
            (self.show)(run, last);
        }
    }

    /// The inner result is about the drill, the outer one about the sockets.
    async fn act(&self, step: Step) -> Result<Result<(), StageError>, Stopped> {
        self.switch
            .set_open(stage::open_after(&step, self.switch.is_open()));
        let on_switch = step.clone();
        let done = self
            .switch
            .call(
                move |switch, now| match stage::on_switch(switch, now, &on_switch) {
                    Ok(outputs) => (Ok(()), outputs.unwrap_or_default()),
                    Err(error) => (Err(error), Default::default()),
                },
            )
            .await?;
        if let Err(error) = done {
            return Ok(Err(error.into()));
        }
        let loaded = self.loaded.clone();
        self.server
            .handle
            .call(
                move |engine, now| match stage::on_bench(engine, now, &loaded, &step) {
                    Ok(effects) => (Ok(()), effects),
                    Err(error) => (Err(error), Default::default()),
                },
            )
            .await
    }
}

/// The bench on free ports, so that a drill disturbs no bench that runs.
fn on_free_ports(bench: &Bench, change_port: u16) -> Bench {
    let free = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 0);
    let mut bench = bench.clone();
    bench.listen.authentication = free;
    bench.listen.accounting = free;
    bench.listen.board = None;
    bench.listen.dhcp = bench.listen.dhcp.map(|_| free);
    for switch in &mut bench.switches {
        Arc::make_mut(switch).change_port = change_port;
    }
    bench
}

/// A port that was free a moment ago; the stand-in takes it as its own.
fn free_change_port(loaded: &Loaded) -> Result<u16, LiveError> {
    let address = loaded
        .bench
        .switch(&loaded.drill.switch.name)
        .map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |entry| {
            entry.address.addr()
        });
    let wanted = SocketAddr::new(address, 0);
    std::net::UdpSocket::bind(wanted)
        .and_then(|socket| socket.local_addr())
        .map(|bound| bound.port())
        .map_err(|source| {
            LiveError::Switch(SwitchStartError {
                address: wanted,
                source,
            })
        })
}
