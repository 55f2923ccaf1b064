//! `portproof serve BENCH`: the bench at work until it is told to stop.

use std::error::Error;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::SignedDuration;

use super::Outcome;
use super::board::{self, BoardArgs};
use crate::bench::Loaded;
use crate::journal::{Entry, Kind, News};
use crate::serve::reload::{self, Files, Reloaded};
use crate::serve::{self, Server};
use crate::store::{Limits, Store, StoreError};

/// Answer the switches of a bench file, recognise devices and send changes.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The bench file; edits come into force while it runs.
    bench: PathBuf,
    /// Where roster, sessions and journal are kept; default: beside the bench file.
    #[arg(long, value_name = "FILE", conflicts_with = "in_memory")]
    state: Option<PathBuf>,
    /// Keep nothing after the end.
    #[arg(long)]
    in_memory: bool,
    /// How many journal entries are kept; the oldest go first.
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().entries)]
    keep_entries: u64,
    /// How many ended sessions are kept.
    #[arg(long, value_name = "COUNT", default_value_t = Limits::default().ended_sessions)]
    keep_sessions: u64,
    /// How many days entries and ended sessions are kept; default: any number.
    #[arg(long, value_name = "DAYS")]
    keep_days: Option<u32>,
    #[command(flatten)]
    board: BoardArgs,
    /// Print one JSON object an entry instead of a line for people.
    #[arg(long)]
    json: bool,
    /// Say nothing of what happens, only of trouble.
    #[arg(long, short)]
    quiet: bool,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    let (loaded, files) = reload::load(&args.bench);
    let loaded = match loaded {
        Ok(loaded) => loaded,
        Err(mistakes) => {
            super::complain(&mistakes);
            return Outcome::BadInput;
        }
    };
    super::complain(&loaded.warnings);
    let store = match open_store(args) {
        Ok(store) => store,
        Err(error) => {
            eprintln!("{error}");
            return Outcome::Refused;
        }
    };
    match super::runtime() {
        Ok(runtime) => {
            let outcome = runtime.block_on(async {
                serve(args, loaded, files, store)
                    .await
                    .unwrap_or_else(|error| {
                        eprintln!("{error}");
                        Outcome::Refused
                    })
            });
            // What hangs on a pipe that nobody reads is left behind.
            runtime.shutdown_timeout(std::time::Duration::from_secs(1));
            outcome
        }
        Err(refused) => refused,
    }
}

fn open_store(args: &Args) -> Result<Store, StoreError> {
    let mut store = if args.in_memory {
        Store::in_memory()?
    } else {
        let default = || default_state(&args.bench);
        Store::open(&args.state.clone().unwrap_or_else(default))?
    };
    store.keep(Limits {
        entries: args.keep_entries,
        ended_sessions: args.keep_sessions,
        age: args
            .keep_days
            .map(|days| SignedDuration::from_hours(24 * i64::from(days))),
    });
    Ok(store)
}

/// `lab/quay.yaml` keeps its state in `lab/quay.portproof-state`.
pub(super) fn default_state(bench: &Path) -> PathBuf {
    bench.with_extension("portproof-state")
}

async fn serve(
    args: &Args,
    loaded: Loaded,
    files: Files,
    store: Store,
) -> Result<Outcome, Box<dyn Error>> {
    let name = loaded.bench.name.clone();
    let switches = loaded.bench.switches.len();
    let access = args.board.access()?;
    let listener = match loaded.bench.listen.board {
        Some(address) => {
            let listener = board::listen(address, &access).await?;
            store.announce(listener.local_addr()?)?;
            Some(listener)
        }
        None => None,
    };
    let reader = store.reader()?;
    let server = serve::start(Arc::new(loaded.bench), Some(store)).await?;
    greet(&server, &name, switches);
    let standing = match listener {
        Some(listener) => {
            eprintln!("  board           http://{}/", listener.local_addr()?);
            let path = args.bench.clone();
            Some(board::stand(&server, path, reader, access, listener)?)
        }
        None => None,
    };
    eprintln!("This is a bench tool. {}", crate::change::CAUTION);
    let edits = tokio::spawn(reload::watch(
        args.bench.clone(),
        files,
        server.handle.clone(),
        tell_reload,
    ));
    let printer = (!args.quiet).then(|| {
        tokio::spawn(print(
            server.journal.follow(server.journal.last()),
            args.json,
        ))
    });
    super::until_stopped().await;
    edits.abort();
    let stopping = async {
        // The bench first: what it heard is stored whatever a browser does.
        server.stop().await;
        if let Some(standing) = standing {
            standing.stop().await;
        }
    };
    tokio::select! {
        () = stopping => {}
        () = super::until_stopped() => eprintln!("told twice: stopped at once"),
    }
    if let Some(printer) = printer {
        printer.abort();
    }
    Ok(Outcome::Done)
}

fn greet(server: &Server, name: &str, switches: usize) {
    let bound = &server.bound;
    eprintln!("bench '{name}', {switches} switches declared");
    eprintln!("  authentication  {}", bound.authentication);
    eprintln!("  accounting      {}", bound.accounting);
    match bound.dhcp {
        Some(dhcp) if dhcp.ip().is_loopback() => {
            eprintln!("  DHCP listener   {dhcp} (never answers)");
        }
        Some(dhcp) => eprintln!(
            "  DHCP listener   {dhcp} (never answers; whoever can send to it can have a device \
             recognised and its port changed: keep it on the bench's own network)"
        ),
        None => eprintln!("  DHCP listener   off"),
    }
}

fn tell_reload(reloaded: &Reloaded) {
    match reloaded {
        Reloaded::InForce {
            classes,
            moved,
            warnings,
        } => {
            super::complain(warnings);
            eprintln!("the edit is in force: {classes} classes");
            if *moved {
                eprintln!("`listen` changed: start the bench again for that part of it");
            }
        }
        Reloaded::Kept(mistakes) => {
            super::complain(mistakes);
            eprintln!("the edit has mistakes: the old bench stays in force");
        }
        Reloaded::Unusable(error) => {
            eprintln!("{error}");
            eprintln!("the edit can't be used: the old bench stays in force");
        }
    }
}

async fn print(mut follower: crate::journal::Follower, json: bool) {
    while let Some(news) = follower.next(256).await {
        match news {
            News::Entries(entries) => {
                if entries
                    .iter()
                    .try_for_each(|entry| print_entry(entry, json))
                    .is_err()
                {
                    // Nobody reads any more; the bench goes on.
                    return;
                }
            }
            News::Read { to, .. } => {
                eprintln!("(the terminal fell behind; the state file has what is not shown)");
                follower.seen(to.saturating_sub(1));
            }
            News::Anew { last } => follower.seen(last),
        }
    }
}

fn print_entry(entry: &Entry, json: bool) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    if json {
        writeln!(out, "{}", serde_json::to_string(entry)?)
    } else if entry.kind != Kind::Repeat {
        writeln!(out, "{}", super::lines::entry(entry))
    } else {
        Ok(())
    }
}
