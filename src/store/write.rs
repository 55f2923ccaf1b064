//! The one writer.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use jiff::{SignedDuration, Timestamp};
use rusqlite::{Connection, Transaction, params};

use super::lock::Lock;
use super::read::Reader;
use super::rows::{json, nanoseconds, search_words, signed, word};
use super::{StoreError, schema};
use crate::bench::ChangeKind;
use crate::journal::{Entry, Journal, Kind};
use crate::roster::{Device, Effects, Session, SessionState};
use crate::wire::Mac;

/// The state file, open for writing. One process has it at a time.
#[derive(Debug)]
pub struct Store {
    connection: Arc<Mutex<Connection>>,
    place: Place,
    limits: Limits,
}

#[derive(Debug)]
enum Place {
    Memory,
    File { path: PathBuf, lock: Lock },
}

/// How long the file is waited for when somebody's own SQL has it locked.
const PATIENCE: std::time::Duration = std::time::Duration::from_secs(5);
/// Memory for pages of the file, kibibytes (negative by SQLite's convention).
const CACHE: i64 = -32 * 1024;
/// Prepared statements that are kept.
const STATEMENTS: usize = 64;

impl Store {
    /// Opens or makes a state file. Only its owner may read it.
    ///
    /// # Errors
    /// When another process has it, when it is no state file, was written by a newer version, or
    /// the system refuses.
    pub fn open(path: &Path) -> Result<Store, StoreError> {
        let lock = Lock::take(path)?;
        keep_private(path).map_err(|source| StoreError::Lock {
            path: path.to_owned(),
            source,
        })?;
        let mut connection = Connection::open(path)?;
        connection.busy_timeout(PATIENCE)?;
        // Has to come before the first table.
        connection.pragma_update(None, "auto_vacuum", "INCREMENTAL")?;
        schema::prepare(&mut connection, path)?;
        // A commit returns once it is on the disk, and survives loss of power.
        connection.pragma_update(None, "journal_mode", "WAL")?;
        connection.pragma_update(None, "synchronous", "FULL")?;
        Ok(Store::over(
            connection,
            Place::File {
                path: path.to_owned(),
                lock,
            },
        )?)
    }

    /// State that is gone when the process ends.
    ///
    /// # Errors
    /// When there is no memory for it.
    pub fn in_memory() -> Result<Store, StoreError> {
        let mut connection = Connection::open_in_memory()?;
        schema::prepare(&mut connection, Path::new(":memory:"))?;
        Ok(Store::over(connection, Place::Memory)?)
    }

    fn over(connection: Connection, place: Place) -> rusqlite::Result<Store> {
        connection.pragma_update(None, "cache_size", CACHE)?;
        connection.set_prepared_statement_cache_capacity(STATEMENTS);
        Ok(Store {
            connection: Arc::new(Mutex::new(connection)),
            place,
            limits: Limits::default(),
        })
    }

    /// Sets how much is kept.
    pub fn keep(&mut self, limits: Limits) {
        self.limits = limits;
    }

    /// Tells other processes where the board of this one listens.
    ///
    /// # Errors
    /// When the lock file can't be written.
    pub fn announce(&self, board: std::net::SocketAddr) -> Result<(), StoreError> {
        match &self.place {
            Place::Memory => Ok(()),
            Place::File { lock, .. } => lock.note(Some(board)),
        }
    }

    /// Somebody who looks on: beside the writer for a file, taking turns with it in memory.
    ///
    /// # Errors
    /// When the file can't be opened again.
    pub fn reader(&self) -> Result<Reader, StoreError> {
        match &self.place {
            Place::Memory => Ok(Reader::over(Arc::clone(&self.connection))),
            Place::File { path, .. } => Reader::open(path),
        }
    }

    /// A journal that goes on where the stored one ends, with up to `capacity` entries in memory.
    ///
    /// # Errors
    /// Those of SQLite.
    pub fn journal(&self, capacity: usize) -> Result<Journal, StoreError> {
        Ok(Journal::new(self.reader()?.last_seq()?, capacity))
    }

    /// Numbers the entries of several steps, stores everything durably in one transaction, and
    /// shows the entries to the journal's followers; they are taken out of the steps. What is
    /// left, `transmits`, may be sent afterwards.
    ///
    /// # Errors
    /// Those of SQLite; then nothing was stored or shown, and nothing may be sent.
    pub fn record(&mut self, journal: &Journal, steps: &mut [Effects]) -> Result<(), StoreError> {
        journal.number(steps.iter_mut().flat_map(|step| &mut step.entries));
        self.commit(steps)?;
        journal.publish(
            steps
                .iter_mut()
                .flat_map(|step| std::mem::take(&mut step.entries)),
        );
        Ok(())
    }

    /// Stores several steps, in order, in one transaction. Entries must be numbered.
    ///
    /// # Errors
    /// Those of SQLite; then nothing was stored.
    pub fn commit(&mut self, steps: &[Effects]) -> Result<(), StoreError> {
        if steps.iter().all(is_idle) {
            return Ok(());
        }
        let mut connection = self.connection();
        let transaction = connection.transaction()?;
        for step in steps {
            for device in &step.devices {
                put_device(&transaction, device)?;
            }
            for mac in &step.forgotten {
                forget_device(&transaction, *mac)?;
            }
            for session in &step.sessions {
                put_session(&transaction, session)?;
            }
            for entry in &step.entries {
                put_entry(&transaction, entry)?;
            }
        }
        transaction.commit()?;
        Ok(())
    }

    /// Drops what is past the limits, oldest first: up to `step` entries and `step` ended
    /// sessions, so that the writer is never held up for long. Call again while there is more.
    ///
    /// # Errors
    /// Those of SQLite.
    pub fn prune(&mut self, now: Timestamp, step: usize) -> Result<Pruned, StoreError> {
        let limits = &self.limits.clone();
        let mut connection = self.connection();
        let transaction = connection.transaction()?;
        let oldest = limits
            .age
            .and_then(|age| now.checked_sub(age).ok())
            .map_or(i64::MIN, nanoseconds);
        let pruned = Pruned {
            entries: prune_entries(&transaction, limits, oldest, step)?,
            sessions: prune_sessions(&transaction, limits, oldest, step)?,
            step,
        };
        transaction.commit()?;
        if pruned.entries + pruned.sessions > 0 {
            connection.execute_batch("PRAGMA incremental_vacuum(256)")?;
        }
        Ok(pruned)
    }

    fn connection(&self) -> MutexGuard<'_, Connection> {
        // A panic in between rolled its transaction back.
        self.connection
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

/// How much is kept of what is over. Devices are bounded by the roster.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Journal entries (default 1,000,000).
    pub entries: u64,
    /// Ended sessions (default 100,000).
    pub ended_sessions: u64,
    /// Entries and ended sessions older than this go too (default: none do).
    pub age: Option<SignedDuration>,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            entries: 1_000_000,
            ended_sessions: 100_000,
            age: None,
        }
    }
}

/// What one pruning step dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pruned {
    /// Entries.
    pub entries: usize,
    /// Ended sessions.
    pub sessions: usize,
    step: usize,
}

impl Pruned {
    /// Whether another step may find more.
    #[must_use]
    pub fn is_more(&self) -> bool {
        self.entries >= self.step || self.sessions >= self.step
    }
}

/// True when a step leaves nothing to store.
fn is_idle(step: &Effects) -> bool {
    step.devices.is_empty()
        && step.forgotten.is_empty()
        && step.sessions.is_empty()
        && step.entries.is_empty()
}

/// Makes the file readable for its owner alone, before there is anything in it.
fn keep_private(path: &Path) -> std::io::Result<()> {
    let mut options = std::fs::File::options();
    options.read(true).write(true).create(true).truncate(false);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let file = options.open(path)?;
    // One that is there already may have been readable for others.
    #[cfg(unix)]
    file.set_permissions(std::os::unix::fs::PermissionsExt::from_mode(0o600))?;
    #[cfg(not(unix))]
    drop(file);
    Ok(())
}

fn put_device(transaction: &Transaction<'_>, device: &Device) -> Result<(), StoreError> {
    let said = |field: &str| device.sightings.dhcp.get(field);
    transaction
        .prepare_cached(
            "INSERT OR REPLACE INTO devices (mac, class, why, first_seen, last_seen, pin, pin_note, \
             host_name, vendor_class, words, record) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        )?
        .execute(params![
            device.mac.to_string(),
            device.class,
            device.why,
            nanoseconds(device.first_seen),
            nanoseconds(device.last_seen),
            device.pin.as_ref().map(|pin| &pin.class),
            device.pin.as_ref().and_then(|pin| pin.note.as_ref()),
            said("host-name"),
            said("vendor-class"),
            search_words(device),
            json("device", device)?,
        ])?;
    Ok(())
}

fn forget_device(transaction: &Transaction<'_>, mac: Mac) -> Result<(), StoreError> {
    transaction
        .prepare_cached("DELETE FROM devices WHERE mac = ?1")?
        .execute([mac.to_string()])?;
    Ok(())
}

fn put_session(transaction: &Transaction<'_>, session: &Session) -> Result<(), StoreError> {
    let (ended, cause) = match &session.state {
        SessionState::Ended { at, cause } => (Some(nanoseconds(*at)), Some(cause)),
        _ => (None, None),
    };
    let (octets_in, octets_out) = session.octets;
    transaction
        .prepare_cached(
            "INSERT OR REPLACE INTO sessions (id, switch, address, port, mac, identity, method, \
             class, acct_session_id, accepted, started, last_heard, ended, cause, octets_in, \
             octets_out, record) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)",
        )?
        .execute(params![
            signed(session.id),
            session.switch,
            session.address.to_string(),
            session.port,
            session.mac.map(|mac| mac.to_string()),
            session.identity,
            word(&session.method)?,
            session.class,
            session.acct_session_id,
            nanoseconds(session.accepted),
            session.started.map(nanoseconds),
            nanoseconds(session.last_heard),
            ended,
            cause,
            signed(octets_in),
            signed(octets_out),
            json("session", session)?,
        ])?;
    Ok(())
}

fn put_entry(transaction: &Transaction<'_>, entry: &Entry) -> Result<(), StoreError> {
    let place = &entry.place;
    let seq = signed(entry.seq);
    transaction
        .prepare_cached(
            "INSERT INTO entries (seq, at, kind, verdict, reason, switch, port, mac, identity, \
             class, session, change, order_id, breach, packets, trace) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)",
        )?
        .execute(params![
            seq,
            nanoseconds(entry.at),
            entry.kind.word(),
            entry.verdict,
            entry.reason,
            place.switch,
            place.port,
            place.mac.map(|mac| mac.to_string()),
            place.identity,
            place.class,
            place.session.map(signed),
            place.change.map(ChangeKind::word),
            place.order.map(signed),
            entry.breach,
            entry.packets.len(),
            entry
                .trace
                .as_ref()
                .map(|trace| json("trace", trace))
                .transpose()?,
        ])?;
    let mut insert = transaction.prepare_cached(
        "INSERT INTO packets (seq, n, at, direction, link, source, destination, octets) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )?;
    for (n, packet) in entry.packets.iter().enumerate() {
        insert.execute(params![
            seq,
            n,
            nanoseconds(packet.at),
            packet.direction.word(),
            packet.link.word(),
            packet.from.to_string(),
            packet.to.to_string(),
            packet.octets,
        ])?;
    }
    note_port(transaction, entry)
}

fn note_port(transaction: &Transaction<'_>, entry: &Entry) -> Result<(), StoreError> {
    let (Some(switch), Some(port)) = (&entry.place.switch, &entry.place.port) else {
        return Ok(());
    };
    let newest = |kind| (entry.kind == kind).then(|| signed(entry.seq));
    transaction
        .prepare_cached(
            "INSERT INTO ports (switch, port, heard, access, change) VALUES (?1, ?2, ?3, ?4, ?5) \
             ON CONFLICT DO UPDATE SET heard = excluded.heard, \
             access = coalesce(excluded.access, access), \
             change = coalesce(excluded.change, change)",
        )?
        .execute(params![
            switch,
            port,
            nanoseconds(entry.at),
            newest(Kind::Access),
            newest(Kind::Change),
        ])?;
    Ok(())
}

/// Drops entries from the oldest on, up to the first one that is to stay.
fn prune_entries(
    transaction: &Transaction<'_>,
    limits: &Limits,
    oldest: i64,
    step: usize,
) -> Result<usize, StoreError> {
    let last: i64 =
        transaction.query_row("SELECT coalesce(max(seq), 0) FROM entries", [], |row| {
            row.get(0)
        })?;
    let surplus = last.saturating_sub(signed(limits.entries));
    let mut rows =
        transaction.prepare_cached("SELECT seq, at FROM entries ORDER BY seq LIMIT ?1")?;
    let front = rows
        .query_map([step], |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?))
        })?
        .collect::<Result<Vec<_>, _>>()?;
    let Some((upto, _)) = front
        .into_iter()
        // The newest stays in any case: the numbers go on after it.
        .take_while(|(seq, at)| *seq < last && (*seq <= surplus || *at < oldest))
        .last()
    else {
        return Ok(0);
    };
    transaction.execute("DELETE FROM packets WHERE seq <= ?1", [upto])?;
    Ok(transaction.execute("DELETE FROM entries WHERE seq <= ?1", [upto])?)
}

/// Drops ended sessions, the longest ended first; never the newest session, whose number counts.
fn prune_sessions(
    transaction: &Transaction<'_>,
    limits: &Limits,
    oldest: i64,
    step: usize,
) -> Result<usize, StoreError> {
    let ended: i64 = transaction.query_row(
        "SELECT count(*) FROM sessions WHERE ended IS NOT NULL",
        [],
        |row| row.get(0),
    )?;
    let surplus = ended.saturating_sub(signed(limits.ended_sessions)).max(0);
    let step = i64::try_from(step).unwrap_or(i64::MAX);
    Ok(transaction.execute(
        "DELETE FROM sessions WHERE id < (SELECT max(id) FROM sessions) AND id IN ( \
             SELECT id FROM sessions WHERE ended IS NOT NULL AND ended < ?1 ORDER BY ended LIMIT ?3 \
         ) OR id < (SELECT max(id) FROM sessions) AND id IN ( \
             SELECT id FROM sessions WHERE ended IS NOT NULL ORDER BY ended LIMIT min(?2, ?3) \
         )",
        params![oldest, surplus, step],
    )?)
}
