-- Times are nanoseconds since 1970-01-01T00:00:00Z.

CREATE TABLE about (
    name  TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

-- Tells this journal from any other, so that a follower notices when it is another one.
INSERT INTO about VALUES ('era', lower(hex(randomblob(6))));

CREATE TABLE devices (
    mac          TEXT PRIMARY KEY,
    class        TEXT,
    why          TEXT,
    first_seen   INTEGER NOT NULL,
    last_seen    INTEGER NOT NULL,
    pin          TEXT,
    pin_note     TEXT,
    host_name    TEXT,
    vendor_class TEXT,
    -- What the search looks through, lower case.
    words        TEXT NOT NULL,
    -- The whole record as JSON.
    record       TEXT NOT NULL
);
CREATE INDEX devices_last_seen ON devices (last_seen);
CREATE INDEX devices_class ON devices (class);
CREATE INDEX devices_pin ON devices (pin) WHERE pin IS NOT NULL;

CREATE TABLE sessions (
    id              INTEGER PRIMARY KEY,
    switch          TEXT NOT NULL,
    address         TEXT NOT NULL,
    port            TEXT,
    mac             TEXT,
    identity        TEXT,
    method          TEXT NOT NULL,
    class           TEXT NOT NULL,
    acct_session_id TEXT,
    accepted        INTEGER NOT NULL,
    started         INTEGER,
    last_heard      INTEGER NOT NULL,
    -- NULL while it lives.
    ended           INTEGER,
    cause           TEXT,
    octets_in       INTEGER NOT NULL,
    octets_out      INTEGER NOT NULL,
    -- The whole record as JSON.
    record          TEXT NOT NULL
);
CREATE INDEX sessions_live ON sessions (switch, port) WHERE ended IS NULL;
CREATE INDEX sessions_ended ON sessions (ended) WHERE ended IS NOT NULL;
CREATE INDEX sessions_place ON sessions (switch, port);
CREATE INDEX sessions_mac ON sessions (mac);

CREATE TABLE entries (
    seq      INTEGER PRIMARY KEY,
    at       INTEGER NOT NULL,
    kind     TEXT NOT NULL,
    verdict  TEXT NOT NULL,
    reason   TEXT NOT NULL,
    switch   TEXT,
    port     TEXT,
    mac      TEXT,
    identity TEXT,
    class    TEXT,
    session  INTEGER,
    -- Which change, and the number of its order.
    change   TEXT,
    order_id INTEGER,
    breach   TEXT,
    -- How many packets belong to it.
    packets  INTEGER NOT NULL,
    -- How the decision fell, as JSON.
    trace    TEXT
);
-- Every index ends with seq, as SQLite appends the primary key; so each gives pages in order.
CREATE INDEX entries_at ON entries (at);
CREATE INDEX entries_kind ON entries (kind);
CREATE INDEX entries_verdict ON entries (verdict);
CREATE INDEX entries_switch ON entries (switch, port) WHERE switch IS NOT NULL;
CREATE INDEX entries_port ON entries (port) WHERE port IS NOT NULL;
CREATE INDEX entries_mac ON entries (mac) WHERE mac IS NOT NULL;
CREATE INDEX entries_class ON entries (class) WHERE class IS NOT NULL;
CREATE INDEX entries_session ON entries (session) WHERE session IS NOT NULL;

CREATE TABLE packets (
    seq         INTEGER NOT NULL,
    -- Place in the exchange, from 0.
    n           INTEGER NOT NULL,
    at          INTEGER NOT NULL,
    direction   TEXT NOT NULL,
    link        TEXT NOT NULL,
    source      TEXT NOT NULL,
    destination TEXT NOT NULL,
    octets      BLOB NOT NULL,
    PRIMARY KEY (seq, n)
) WITHOUT ROWID;

-- Every port that was ever heard of, with its newest entries.
CREATE TABLE ports (
    switch TEXT NOT NULL,
    port   TEXT NOT NULL,
    -- Time of the newest entry.
    heard  INTEGER NOT NULL,
    -- Number of the newest access entry.
    access INTEGER,
    -- Number of the newest change entry.
    change INTEGER,
    PRIMARY KEY (switch, port)
) WITHOUT ROWID;

CREATE VIEW timeline AS
    SELECT seq,
           strftime('%Y-%m-%dT%H:%M:%S', at / 1000000000, 'unixepoch')
               || printf('.%06dZ', at % 1000000000 / 1000) AS at,
           kind, verdict, reason, switch, port, mac, identity, class, session, change,
           breach
    FROM entries;
