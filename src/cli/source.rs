//! Where the commands find what they show: the board of a running bench, or its state file.

use std::path::PathBuf;

use jiff::Timestamp;
use serde::Serialize;

use super::client::{Client, ClientError};
use super::serve::default_state;
use crate::bench::{self, Bench};
use crate::board::api::{
    ChangeAsked, ChangeOrdered, Devices, DevicesWanted, Entries, EntriesWanted, ImportedDevice,
    PinAsked, Sessions, SessionsWanted,
};
use crate::board::view::{DeviceView, Outline, SessionView};
use crate::journal::Journal;
use crate::roster::{Effects, Roster};
use crate::store::{self, Reader, Store, StoreError};
use crate::wire::Mac;

/// Which bench is meant.
#[derive(Debug, Clone, clap::Args)]
pub struct SourceArgs {
    /// The bench file: its running bench is asked, or else its state file.
    #[arg(
        long,
        env = "PORTPROOF_BENCH",
        value_name = "FILE",
        help_heading = "Which bench"
    )]
    bench: Option<PathBuf>,
    /// The state file, where it is not beside the bench file.
    #[arg(long, value_name = "FILE", help_heading = "Which bench")]
    state: Option<PathBuf>,
    /// Address of a board, as ADDRESS:PORT; default without bench and state: 127.0.0.1:8312.
    #[arg(
        long,
        value_name = "ADDRESS",
        conflicts_with_all = ["bench", "state"],
        help_heading = "Which bench"
    )]
    board: Option<String>,
    /// Token of the board, where it wants one.
    #[arg(
        long,
        env = "PORTPROOF_BOARD_TOKEN",
        hide_env_values = true,
        value_name = "TOKEN",
        help_heading = "Which bench"
    )]
    board_token: Option<String>,
}

/// Why a command got nothing.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// The running bench.
    #[error(transparent)]
    Client(#[from] ClientError),
    /// The state file.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is no such file.
    #[error("there is no state file {}: start the bench with 'portproof serve' first", .0.display())]
    NoState(PathBuf),
    /// It runs and has no board.
    #[error(
        "{holder} has the bench and no board: set 'listen: board' in the bench file, or stop it"
    )]
    NoBoard {
        /// Who.
        holder: String,
    },
    /// Only a running bench can do it.
    #[error("this needs the running bench: start it with 'portproof serve'")]
    NotRunning,
    /// The bench says no.
    #[error("{0}")]
    Refused(String),
}

impl super::Ending for SourceError {
    fn outcome(&self) -> super::Outcome {
        match self {
            SourceError::Refused(_) | SourceError::Client(ClientError::Refused(_)) => {
                super::Outcome::BadInput
            }
            _ => super::Outcome::Refused,
        }
    }
}

/// Where it comes from.
pub enum Source {
    /// A running bench, by its board.
    Running(Client),
    /// A state file that nobody has open.
    Lying(Box<Lying>),
}

/// The default port of the board.
const BOARD: &str = "127.0.0.1:8312";

impl SourceArgs {
    /// Finds the bench.
    ///
    /// # Errors
    /// When there is nothing to ask.
    pub fn open(&self) -> Result<Source, SourceError> {
        let token = self.board_token.as_deref();
        let state = match (&self.state, &self.bench) {
            (Some(state), _) => state.clone(),
            (None, Some(bench)) => default_state(bench),
            (None, None) => {
                let board = self.board.as_deref().unwrap_or(BOARD);
                return Ok(Source::Running(Client::new(board, token)));
            }
        };
        if let Some(holder) = store::holder(&state)? {
            let board = holder.board.ok_or_else(|| SourceError::NoBoard {
                holder: holder.to_string(),
            })?;
            return Ok(Source::Running(Client::new(&board.to_string(), token)));
        }
        if !state.exists() {
            return Err(SourceError::NoState(state));
        }
        let bench = match &self.bench {
            Some(path) => bench::load(path).ok().map(|loaded| loaded.bench),
            None => None,
        };
        Lying::open(&state, bench).map(|lying| Source::Lying(Box::new(lying)))
    }
}

impl Source {
    /// A page of the roster.
    ///
    /// # Errors
    /// Those of the bench or of the state file.
    pub fn devices(&self, wanted: &DevicesWanted) -> Result<Devices, SourceError> {
        match self {
            Source::Running(client) => Ok(client.get("/api/devices", wanted)?),
            Source::Lying(lying) => {
                let page = lying
                    .reader
                    .devices(&wanted.query(wanted.limit.unwrap_or(50)))?;
                Ok(Devices {
                    devices: page.items.iter().map(DeviceView::from).collect(),
                    more: page.more,
                })
            }
        }
    }

    /// One device.
    ///
    /// # Errors
    /// When it is not known, or those of the bench or of the state file.
    pub fn device(&self, mac: Mac) -> Result<DeviceView, SourceError> {
        match self {
            Source::Running(client) => Ok(client.get(&format!("/api/devices/{mac}"), &())?),
            Source::Lying(lying) => lying
                .reader
                .device(mac)?
                .map(|device| DeviceView::from(&device))
                .ok_or_else(|| unknown(mac)),
        }
    }

    /// Forgets a device.
    ///
    /// # Errors
    /// When it is not known, or those of the bench or of the state file.
    pub fn forget(&mut self, mac: Mac) -> Result<(), SourceError> {
        match self {
            Source::Running(client) => Ok(client.delete(&format!("/api/devices/{mac}"))?),
            Source::Lying(lying) => {
                let known = lying.roster.device(mac).is_some();
                let effects = lying.roster.forget(Timestamp::now(), mac);
                lying.record(effects)?;
                if known { Ok(()) } else { Err(unknown(mac)) }
            }
        }
    }

    /// Pins a device.
    ///
    /// # Errors
    /// When the class table has no such class, or those of the bench or of the state file.
    pub fn pin(&mut self, mac: Mac, class: &str, note: Option<&str>) -> Result<(), SourceError> {
        match self {
            Source::Running(client) => {
                let asked = PinAsked {
                    class: class.to_owned(),
                    note: note.map(str::to_owned),
                };
                Ok(client.send_quietly("PUT", &format!("/api/devices/{mac}/pin"), &asked)?)
            }
            Source::Lying(lying) => {
                lying.check_class(class)?;
                let effects = lying.roster.pin(Timestamp::now(), mac, class, note);
                lying.record(effects)
            }
        }
    }

    /// Lets the rows decide on a device again.
    ///
    /// # Errors
    /// Those of the bench or of the state file.
    pub fn unpin(&mut self, mac: Mac) -> Result<(), SourceError> {
        match self {
            Source::Running(client) => Ok(client.delete(&format!("/api/devices/{mac}/pin"))?),
            Source::Lying(lying) => {
                let effects = lying.roster.unpin(Timestamp::now(), mac);
                lying.record(effects)
            }
        }
    }

    /// Takes over sightings and pins of up to 1000 devices.
    ///
    /// # Errors
    /// When one of them is wrong, or those of the bench or of the state file.
    pub fn import(&mut self, devices: Vec<ImportedDevice>) -> Result<(), SourceError> {
        match self {
            Source::Running(client) => Ok(client.send_quietly("POST", "/api/devices", &devices)?),
            Source::Lying(lying) => lying.import(devices),
        }
    }

    /// A page of the journal.
    ///
    /// # Errors
    /// Those of the bench or of the state file.
    pub fn entries(&self, wanted: &EntriesWanted) -> Result<Entries, SourceError> {
        match self {
            Source::Running(client) => Ok(client.get("/api/entries", wanted)?),
            Source::Lying(lying) => {
                let query = wanted
                    .query(wanted.limit.unwrap_or(100))
                    .map_err(|problem| SourceError::Refused(problem.error))?;
                let page = lying.reader.entries(&query)?;
                Ok(Entries {
                    entries: page.items.iter().map(Outline::from).collect(),
                    more: page.more,
                })
            }
        }
    }

    /// A page of the sessions.
    ///
    /// # Errors
    /// Those of the bench or of the state file.
    pub fn sessions(&self, wanted: &SessionsWanted) -> Result<Sessions, SourceError> {
        match self {
            Source::Running(client) => Ok(client.get("/api/sessions", wanted)?),
            Source::Lying(lying) => {
                let query = wanted
                    .query(wanted.limit.unwrap_or(100))
                    .map_err(|problem| SourceError::Refused(problem.error))?;
                let page = lying.reader.sessions(&query)?;
                Ok(Sessions {
                    sessions: page.items.iter().map(SessionView::from).collect(),
                    more: page.more,
                })
            }
        }
    }

    /// Orders a change.
    ///
    /// # Errors
    /// When the bench does not run or refuses.
    pub fn change(&self, asked: &ChangeAsked) -> Result<ChangeOrdered, SourceError> {
        Ok(self.running()?.send("POST", "/api/changes", asked)?)
    }

    /// The running bench.
    ///
    /// # Errors
    /// When it does not run.
    pub fn running(&self) -> Result<&Client, SourceError> {
        match self {
            Source::Running(client) => Ok(client),
            Source::Lying(_) => Err(SourceError::NotRunning),
        }
    }
}

/// A state file that nobody else has open; held while the command runs.
pub struct Lying {
    store: Store,
    /// For long exports.
    pub reader: Reader,
    journal: Journal,
    roster: Roster,
    bench: Option<Bench>,
}

impl Lying {
    fn open(path: &std::path::Path, bench: Option<Bench>) -> Result<Lying, SourceError> {
        let store = Store::open(path)?;
        let reader = store.reader()?;
        let loaded = reader.load()?;
        Ok(Lying {
            journal: store.journal(1)?,
            roster: Roster::load(loaded.devices, loaded.sessions),
            reader,
            store,
            bench,
        })
    }

    fn record(&mut self, effects: Effects) -> Result<(), SourceError> {
        Ok(self.store.record(&self.journal, &mut [effects])?)
    }

    fn check_class(&self, class: &str) -> Result<(), SourceError> {
        match &self.bench {
            None => Err(SourceError::Refused(
                "without the bench file nobody knows its classes: give --bench FILE".to_owned(),
            )),
            Some(bench) if bench.table.class(class).is_none() => Err(SourceError::Refused(
                format!("the class table has no class '{class}'"),
            )),
            Some(_) => Ok(()),
        }
    }

    fn import(&mut self, devices: Vec<ImportedDevice>) -> Result<(), SourceError> {
        let now = Timestamp::now();
        let devices = devices
            .into_iter()
            .map(|device| device.device(now))
            .collect::<Result<Vec<_>, _>>()
            .map_err(|problem| SourceError::Refused(problem.error))?;
        for pin in devices.iter().filter_map(|device| device.pin.as_ref()) {
            self.check_class(&pin.class)?;
        }
        let effects = self.roster.import(now, &devices);
        self.record(effects)
    }
}

fn unknown(mac: Mac) -> SourceError {
    SourceError::Refused(format!("the roster does not know {mac}"))
}

/// Prints values as JSON, one a line.
pub(super) fn print_json<T: Serialize>(values: &[T]) {
    for value in values {
        // The views hold nothing that JSON can't.
        if let Ok(line) = serde_json::to_string(value) {
            super::lines::put(line);
        }
    }
}
