//! `portproof serve BENCH`: the bench at work until it is told to stop.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::Outcome;
use crate::bench::Loaded;
use crate::journal::{Entry, Kind, News};
use crate::serve::reload::{self, Files, Reloaded};
use crate::serve::{self, Server};
use crate::store::Store;

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
        Ok(runtime) => runtime.block_on(serve(args, loaded, files, store)),
        Err(refused) => refused,
    }
}

fn open_store(args: &Args) -> Result<Option<Store>, crate::store::StoreError> {
    if args.in_memory {
        return Store::in_memory().map(Some);
    }
    let path = args
        .state
        .clone()
        .unwrap_or_else(|| default_state(&args.bench));
    Store::open(&path).map(Some)
}

/// `lab/quay.yaml` keeps its state in `lab/quay.portproof-state`.
pub(super) fn default_state(bench: &Path) -> PathBuf {
    bench.with_extension("portproof-state")
}

async fn serve(args: &Args, loaded: Loaded, files: Files, store: Option<Store>) -> Outcome {
    let name = loaded.bench.name.clone();
    let switches = loaded.bench.switches.len();
    let server = match serve::start(Arc::new(loaded.bench), store).await {
        Ok(server) => server,
        Err(error) => {
            eprintln!("{error}");
            return Outcome::Refused;
        }
    };
    greet(&server, &name, switches);
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
    server.stop().await;
    if let Some(printer) = printer {
        printer.abort();
    }
    Outcome::Done
}

fn greet(server: &Server, name: &str, switches: usize) {
    let bound = &server.bound;
    eprintln!("bench '{name}', {switches} switches declared");
    eprintln!("  authentication  {}", bound.authentication);
    eprintln!("  accounting      {}", bound.accounting);
    match bound.dhcp {
        Some(dhcp) => eprintln!("  DHCP listener   {dhcp} (never answers)"),
        None => eprintln!("  DHCP listener   off"),
    }
    eprintln!("This is a bench tool. {}", crate::change::CAUTION);
}

fn tell_reload(reloaded: &Reloaded) {
    match reloaded {
        Reloaded::InForce { classes, warnings } => {
            super::complain(warnings);
            eprintln!("the edit is in force: {classes} classes");
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
            News::Entries(entries) => entries.iter().for_each(|entry| print_entry(entry, json)),
            News::Read { to, .. } => {
                eprintln!("(the terminal fell behind; the state file has what is not shown)");
                follower.seen(to.saturating_sub(1));
            }
            News::Anew { last } => follower.seen(last),
        }
    }
}

fn print_entry(entry: &Entry, json: bool) {
    if json {
        // An entry holds nothing that JSON can't.
        if let Ok(line) = serde_json::to_string(entry) {
            println!("{line}");
        }
    } else if entry.kind != Kind::Repeat {
        println!("{}", super::lines::entry(entry));
    }
}
