//! Watching the bench file: a good edit comes into force, a bad one is told and changes nothing.

use std::cell::RefCell;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use super::eap_settings::{self, EapError};
use super::handle::Handle;
use crate::bench::world::{ThisComputer, World};
use crate::bench::yaml::Diagnostic;
use crate::bench::{self, Loaded};

/// How often the files are looked at. Polling works on every file system and with every editor's
/// way of saving; notification services do not.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// What became of an edit.
#[derive(Debug)]
pub enum Reloaded {
    /// The new bench is in force.
    InForce {
        /// How many classes it has.
        classes: usize,
        /// Whether `listen` changed, which only a restart follows.
        moved: bool,
        /// What is odd about it.
        warnings: Vec<Diagnostic>,
    },
    /// It has mistakes; the old bench stays.
    Kept(Vec<Diagnostic>),
    /// Its certificates can't be used; the old bench stays.
    Unusable(EapError),
}

/// The files that a bench was read from, with their times.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Files(Vec<(PathBuf, Option<SystemTime>)>);

impl Files {
    fn changed(&self) -> bool {
        self.0.iter().any(|(path, at)| modified(path) != *at)
    }
}

/// Reads a bench and notes which files that took.
pub fn load(path: &Path) -> (Result<Loaded, Vec<Diagnostic>>, Files) {
    let world = Noting::default();
    let loaded = bench::load_in(&world, path);
    (loaded, Files(world.read.into_inner()))
}

/// Looks at the files of a bench for ever, and puts each good edit in force. `tell` is shown what
/// became of each edit.
pub async fn watch(path: PathBuf, mut files: Files, handle: Handle, tell: impl Fn(&Reloaded)) {
    loop {
        tokio::time::sleep(LOOK_EVERY).await;
        if files.changed() {
            let outcome;
            (outcome, files) = reload(&path, &handle).await;
            tell(&outcome);
        }
    }
}

/// One reading at a time: each may take a while and memory.
static READING: tokio::sync::Mutex<()> = tokio::sync::Mutex::const_new(());

/// Reads the bench again and puts it in force if it is good. Files are read off the threads that
/// answer switches, which a slow disk must not stop.
pub async fn reload(path: &Path, handle: &Handle) -> (Reloaded, Files) {
    let _alone = READING.lock().await;
    let path = path.to_owned();
    let reading = tokio::task::spawn_blocking(move || {
        let (loaded, files) = load(&path);
        let eap = match &loaded {
            Ok(loaded) => eap_settings::read(loaded.bench.eap.as_ref()),
            Err(_) => Ok(None),
        };
        (loaded, eap, files)
    });
    let (loaded, eap, files) = match reading.await {
        Ok(read) => read,
        // The reader panicked, or the bench is being stopped.
        Err(error) => {
            tracing::error!(%error, "the bench file could not be read");
            return (Reloaded::Kept(Vec::new()), Files(Vec::new()));
        }
    };
    let loaded = match loaded {
        Ok(loaded) => loaded,
        Err(mistakes) => return (Reloaded::Kept(mistakes), files),
    };
    let eap = match eap {
        Ok(eap) => eap,
        Err(error) => return (Reloaded::Unusable(error), files),
    };
    let new = Arc::new(loaded.bench);
    let classes = new.table.classes.len();
    // When the bench has stopped there is nothing to put it in force on.
    let listen = new.listen.clone();
    let moved = handle
        .call(move |engine, now| {
            let moved = engine.bench().listen != listen;
            engine.offer_eap(eap);
            (moved, engine.reload(now, new))
        })
        .await
        .unwrap_or_default();
    let warnings = loaded.warnings;
    (
        Reloaded::InForce {
            classes,
            moved,
            warnings,
        },
        files,
    )
}

/// This computer, with a note of every file that is read or asked for: certificates are only
/// asked for, and are read once the bench is sound.
#[derive(Debug, Default)]
struct Noting {
    read: RefCell<Vec<(PathBuf, Option<SystemTime>)>>,
}

impl Noting {
    fn note(&self, path: &Path) {
        self.read
            .borrow_mut()
            .push((path.to_owned(), modified(path)));
    }
}

impl World for Noting {
    fn read(&self, path: &Path) -> io::Result<String> {
        // The time first: an edit between the two is then seen as one.
        self.note(path);
        ThisComputer.read(path)
    }

    fn has(&self, path: &Path) -> bool {
        self.note(path);
        ThisComputer.has(path)
    }

    fn variable(&self, name: &str) -> Option<String> {
        ThisComputer.variable(name)
    }
}

fn modified(path: &Path) -> Option<SystemTime> {
    path.metadata().and_then(|about| about.modified()).ok()
}
