//! Those who look on: pages of the roster, the sessions and the journal.

use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, OptionalExtension, Params, Row, params_from_iter};

use super::StoreError;
use super::rows::{self, ENTRY_COLUMNS, PACKET_COLUMNS, nanoseconds, signed};
use crate::journal::filter::VerdictWanted;
use crate::journal::{Entry, Filter, PacketRecord};
use crate::roster::{Device, Session};
use crate::wire::Mac;

/// Reads the state file. Cheap to share; callers take turns.
#[derive(Debug, Clone)]
pub struct Reader {
    connection: Arc<Mutex<Connection>>,
}

/// What a start needs of the stored state.
#[derive(Debug, Clone, Default)]
pub struct Loaded {
    /// All devices.
    pub devices: Vec<Device>,
    /// All live sessions and the newest of the ended ones, by number.
    pub sessions: Vec<Session>,
}

/// One page of a longer list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page<T> {
    /// The items.
    pub items: Vec<T>,
    /// Whether there are more in the direction of the page.
    pub more: bool,
}

/// Which entries. Newest first, unless `after` is given.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct EntryQuery {
    /// What must fit.
    pub filter: Filter,
    /// Only entries after this number, oldest first.
    pub after: Option<u64>,
    /// Only entries before this number.
    pub before: Option<u64>,
    /// How many.
    pub limit: usize,
    /// With their packets.
    pub packets: bool,
}

/// Which devices.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct DeviceQuery {
    /// Part of an address, class, pin, note or anything sighted; the case does not count.
    pub search: Option<String>,
    /// Class in force.
    pub class: Option<String>,
    /// Only pinned ones.
    pub pinned: bool,
    /// Order.
    pub order: DeviceOrder,
    /// How many to leave out at the front.
    pub offset: usize,
    /// How many.
    pub limit: usize,
}

/// Order of the roster.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum DeviceOrder {
    /// Last heard of first.
    #[default]
    LastSeen,
    /// By address.
    Mac,
}

/// Which sessions. Newest first.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SessionQuery {
    /// Switch entry.
    pub switch: Option<String>,
    /// Port.
    pub port: Option<String>,
    /// Device.
    pub mac: Option<Mac>,
    /// Live ones, ended ones, or both.
    pub live: Option<bool>,
    /// Only sessions with a smaller number.
    pub before: Option<u64>,
    /// How many.
    pub limit: usize,
}

/// A port that was heard of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SwitchPort {
    /// Switch entry.
    pub switch: String,
    /// Port as the switch names it.
    pub port: String,
    /// When it was last heard of, nanoseconds since 1970.
    pub heard: i64,
    /// Its newest access entry, without packets.
    pub access: Option<Entry>,
    /// Its newest change entry, without packets.
    pub change: Option<Entry>,
}

/// How much there is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Totals {
    /// Devices.
    pub devices: u64,
    /// Live sessions.
    pub live_sessions: u64,
    /// Number of the oldest entry kept.
    pub first_entry: u64,
    /// Number of the newest entry.
    pub last_entry: u64,
}

/// How many ended sessions a start loads, for late accounting.
const ENDED_LOADED: usize = 10_000;

impl Reader {
    pub(super) fn open(path: &Path) -> Result<Reader, StoreError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
            | OpenFlags::SQLITE_OPEN_URI
            | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags)?;
        connection.busy_timeout(std::time::Duration::from_secs(5))?;
        connection.set_prepared_statement_cache_capacity(64);
        Ok(Reader::over(Arc::new(Mutex::new(connection))))
    }

    /// Looks on at a state file, whether or not a bench has it open. Nothing is written.
    ///
    /// # Errors
    /// When it is no state file, has another layout than this version's, or does not read.
    pub fn look_on(path: &Path) -> Result<Reader, StoreError> {
        let reader = Reader::open(path)?;
        super::schema::check(&reader.connection(), path)?;
        Ok(reader)
    }

    pub(super) fn over(connection: Arc<Mutex<Connection>>) -> Reader {
        Reader { connection }
    }

    /// What a start needs.
    ///
    /// # Errors
    /// Those of SQLite, or a record that does not read.
    pub fn load(&self) -> Result<Loaded, StoreError> {
        let connection = self.connection();
        let devices = all(&connection, "SELECT record FROM devices", [], rows::device)?;
        let mut sessions = all(
            &connection,
            "SELECT record FROM sessions WHERE ended IS NULL",
            [],
            rows::session,
        )?;
        sessions.extend(all(
            &connection,
            "SELECT record FROM sessions WHERE ended IS NOT NULL ORDER BY id DESC LIMIT ?1",
            [ENDED_LOADED],
            rows::session,
        )?);
        sessions.sort_unstable_by_key(|session| session.id);
        Ok(Loaded { devices, sessions })
    }

    /// Tells this journal from any other.
    ///
    /// # Errors
    /// Those of SQLite.
    pub fn era(&self) -> Result<String, StoreError> {
        Ok(self.connection().query_row(
            "SELECT value FROM about WHERE name = 'era'",
            [],
            |row| row.get(0),
        )?)
    }

    /// Number of the newest entry; 0 when there is none.
    ///
    /// # Errors
    /// Those of SQLite.
    pub fn last_seq(&self) -> Result<u64, StoreError> {
        Ok(self.totals_of("SELECT coalesce(max(seq), 0) FROM entries")?)
    }

    /// How much there is.
    ///
    /// # Errors
    /// Those of SQLite.
    pub fn totals(&self) -> Result<Totals, StoreError> {
        Ok(Totals {
            devices: self.totals_of("SELECT count(*) FROM devices")?,
            live_sessions: self.totals_of("SELECT count(*) FROM sessions WHERE ended IS NULL")?,
            first_entry: self.totals_of("SELECT coalesce(min(seq), 0) FROM entries")?,
            last_entry: self.last_seq()?,
        })
    }

    /// One entry with its packets.
    ///
    /// # Errors
    /// Those of SQLite, or a record that does not read.
    pub fn entry(&self, seq: u64) -> Result<Option<Entry>, StoreError> {
        let connection = self.connection();
        let found = outline(&connection, seq)?;
        let Some(mut entry) = found else {
            return Ok(None);
        };
        attach_packets(&connection, std::slice::from_mut(&mut entry))?;
        Ok(Some(entry))
    }

    /// A page of the journal.
    ///
    /// # Errors
    /// Those of SQLite, or a record that does not read.
    pub fn entries(&self, query: &EntryQuery) -> Result<Page<Entry>, StoreError> {
        let mut text = Text::new(format!("SELECT {ENTRY_COLUMNS} FROM entries"));
        filter_entries(&mut text, &query.filter);
        if let Some(after) = query.after {
            text.and("seq > ?", signed(after));
        }
        if let Some(before) = query.before {
            text.and("seq < ?", signed(before));
        }
        let order = if query.after.is_some() {
            "seq"
        } else {
            "seq DESC"
        };
        let connection = self.connection();
        let mut page = text.page(&connection, order, query.limit, 0, rows::entry)?;
        if query.packets {
            attach_packets(&connection, &mut page.items)?;
        }
        Ok(page)
    }

    /// One device.
    ///
    /// # Errors
    /// Those of SQLite, or a record that does not read.
    pub fn device(&self, mac: Mac) -> Result<Option<Device>, StoreError> {
        Ok(self
            .connection()
            .prepare_cached("SELECT record FROM devices WHERE mac = ?1")?
            .query_row([mac.to_string()], rows::device)
            .optional()?)
    }

    /// A page of the roster.
    ///
    /// # Errors
    /// Those of SQLite, or a record that does not read.
    pub fn devices(&self, query: &DeviceQuery) -> Result<Page<Device>, StoreError> {
        let mut text = Text::new("SELECT record FROM devices".to_owned());
        if let Some(search) = &query.search {
            for word in search.split_whitespace() {
                text.and("instr(words, ?) > 0", searched(word));
            }
        }
        if let Some(class) = &query.class {
            text.and("class = ?", class.clone());
        }
        if query.pinned {
            text.and_plain("pin IS NOT NULL");
        }
        let order = match query.order {
            DeviceOrder::LastSeen => "last_seen DESC, mac",
            DeviceOrder::Mac => "mac",
        };
        text.page(
            &self.connection(),
            order,
            query.limit,
            query.offset,
            rows::device,
        )
    }

    /// A page of the sessions.
    ///
    /// # Errors
    /// Those of SQLite, or a record that does not read.
    pub fn sessions(&self, query: &SessionQuery) -> Result<Page<Session>, StoreError> {
        let mut text = Text::new("SELECT record FROM sessions".to_owned());
        if let Some(switch) = &query.switch {
            text.and("switch = ?", switch.clone());
        }
        if let Some(port) = &query.port {
            text.and("port = ?", port.clone());
        }
        if let Some(mac) = query.mac {
            text.and("mac = ?", mac.to_string());
        }
        match query.live {
            Some(true) => text.and_plain("ended IS NULL"),
            Some(false) => text.and_plain("ended IS NOT NULL"),
            None => {}
        }
        if let Some(before) = query.before {
            text.and("id < ?", signed(before));
        }
        text.page(&self.connection(), "id DESC", query.limit, 0, rows::session)
    }

    /// One session.
    ///
    /// # Errors
    /// Those of SQLite, or a record that does not read.
    pub fn session(&self, id: u64) -> Result<Option<Session>, StoreError> {
        Ok(self
            .connection()
            .prepare_cached("SELECT record FROM sessions WHERE id = ?1")?
            .query_row([signed(id)], rows::session)
            .optional()?)
    }

    /// The ports that were heard of last, up to `limit`, by switch.
    ///
    /// # Errors
    /// Those of SQLite, or a record that does not read.
    pub fn ports(&self, limit: usize) -> Result<Vec<SwitchPort>, StoreError> {
        let connection = self.connection();
        let mut ports = all(
            &connection,
            "SELECT switch, port, heard, access, change FROM ports ORDER BY heard DESC LIMIT ?1",
            [limit],
            |row| {
                Ok((
                    SwitchPort {
                        switch: row.get(0)?,
                        port: row.get(1)?,
                        heard: row.get(2)?,
                        access: None,
                        change: None,
                    },
                    row.get::<_, Option<u64>>(3)?,
                    row.get::<_, Option<u64>>(4)?,
                ))
            },
        )?;
        for (port, access, change) in &mut ports {
            port.access = access.map_or(Ok(None), |seq| outline(&connection, seq))?;
            port.change = change.map_or(Ok(None), |seq| outline(&connection, seq))?;
        }
        let mut ports: Vec<SwitchPort> = ports.into_iter().map(|(port, _, _)| port).collect();
        ports.sort_by(|a, b| (&a.switch, &a.port).cmp(&(&b.switch, &b.port)));
        Ok(ports)
    }

    fn totals_of(&self, sql: &str) -> rusqlite::Result<u64> {
        self.connection()
            .prepare_cached(sql)?
            .query_row([], |row| row.get(0))
    }

    fn connection(&self) -> MutexGuard<'_, Connection> {
        self.connection
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

/// A search word as the stored words are spelt: an address in any spelling is looked for bare.
fn searched(word: &str) -> String {
    let lower = word.to_lowercase();
    let bare: String = lower.chars().filter(|c| !":-.".contains(*c)).collect();
    let is_address_part =
        bare.len() >= 4 && bare.len() != lower.len() && bare.chars().all(|c| c.is_ascii_hexdigit());
    if is_address_part { bare } else { lower }
}

fn filter_entries(text: &mut Text, filter: &Filter) {
    // The two time conditions bound the numbers first, by the index on time, so that pages come
    // in order of number without sorting; the exact ones then sort out what a clock step mixed.
    if let Some(since) = filter.since {
        text.and(
            "seq >= (SELECT min(seq) FROM entries WHERE at >= ?)",
            nanoseconds(since),
        );
        text.and("+at >= ?", nanoseconds(since));
    }
    if let Some(until) = filter.until {
        text.and(
            "seq <= (SELECT max(seq) FROM entries WHERE at < ?)",
            nanoseconds(until),
        );
        text.and("+at < ?", nanoseconds(until));
    }
    if let Some(switch) = &filter.switch {
        text.and("+switch = ?", switch.clone());
    }
    if let Some(port) = &filter.port {
        text.and("port = ?", port.clone());
    }
    if let Some(mac) = filter.mac {
        text.and("mac = ?", mac.to_string());
    }
    if let Some(class) = &filter.class {
        text.and("class = ?", class.clone());
    }
    match filter.verdict_wanted() {
        Some(VerdictWanted::Whole(verdict)) => text.and("verdict = ?", verdict.to_owned()),
        Some(VerdictWanted::Start(start)) => {
            text.and("substr(verdict, 1, length(?)) = ?", start.to_owned());
        }
        None => {}
    }
    if let Some(kind) = filter.kind {
        text.and("kind = ?", kind.word().to_owned());
    }
    if let Some(session) = filter.session {
        text.and("session = ?", signed(session));
    }
}

fn outline(connection: &Connection, seq: u64) -> Result<Option<Entry>, StoreError> {
    Ok(connection
        .prepare_cached(&format!(
            "SELECT {ENTRY_COLUMNS} FROM entries WHERE seq = ?1"
        ))?
        .query_row([signed(seq)], rows::entry)
        .optional()?)
}

fn attach_packets(connection: &Connection, entries: &mut [Entry]) -> Result<(), StoreError> {
    let mut packets = connection.prepare_cached(&format!(
        "SELECT {PACKET_COLUMNS} FROM packets WHERE seq = ?1 ORDER BY n"
    ))?;
    for entry in entries {
        entry.packets = packets
            .query_map([signed(entry.seq)], rows::packet)?
            .map(|found| found.map(|(_, packet)| packet))
            .collect::<Result<Vec<PacketRecord>, _>>()?;
    }
    Ok(())
}

fn all<T>(
    connection: &Connection,
    sql: &str,
    params: impl Params,
    read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
) -> Result<Vec<T>, StoreError> {
    let mut statement = connection.prepare_cached(sql)?;
    let rows = statement.query_map(params, read)?;
    Ok(rows.collect::<Result<Vec<T>, _>>()?)
}

/// A query as it grows.
struct Text {
    select: String,
    conditions: Vec<String>,
    values: Vec<Value>,
}

impl Text {
    fn new(select: String) -> Text {
        Text {
            select,
            conditions: Vec::new(),
            values: Vec::new(),
        }
    }

    /// A further condition; each `?` in it stands for the value.
    fn and(&mut self, condition: &str, value: impl Into<Value>) {
        let place = self.place(value);
        self.conditions.push(condition.replace('?', &place));
    }

    fn and_plain(&mut self, condition: &str) {
        self.conditions.push(condition.to_owned());
    }

    fn place(&mut self, value: impl Into<Value>) -> String {
        self.values.push(value.into());
        format!("?{}", self.values.len())
    }

    /// Runs it for `limit` items and one more, to know whether there are more.
    fn page<T>(
        mut self,
        connection: &Connection,
        order: &str,
        limit: usize,
        offset: usize,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Page<T>, StoreError> {
        let whole = |number: usize| i64::try_from(number).unwrap_or(i64::MAX);
        let rows = self.place(whole(limit).saturating_add(1));
        let skip = self.place(whole(offset));
        let joint = if self.conditions.is_empty() {
            ""
        } else {
            " WHERE "
        };
        let sql = format!(
            "{}{joint}{} ORDER BY {order} LIMIT {rows} OFFSET {skip}",
            self.select,
            self.conditions.join(" AND "),
        );
        let mut items = all(connection, &sql, params_from_iter(&self.values), read)?;
        let more = items.len() > limit;
        items.truncate(limit);
        Ok(Page { items, more })
    }
}
