use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use super::*;
use crate::bench::{ChangeKind, MethodName};
use crate::decide::{RowTrace, Trace};
use crate::journal::{
    Direction, Entry, Filter, Follower, Journal, Kind, Link, News, PacketRecord, Place,
};
use crate::roster::{Device, Effects, Pin, Session, SessionState, Sightings};
use crate::wire::Mac;

fn at(second: i64) -> Timestamp {
    Timestamp::new(1_770_000_000 + second, 123_456_789).unwrap()
}

fn mac(n: u32) -> Mac {
    let [_, a, b, c] = n.to_be_bytes();
    Mac([2, 0, 0, a, b, c])
}

fn entry(second: i64) -> Entry {
    Entry {
        seq: 0,
        at: at(second),
        kind: Kind::Access,
        verdict: "answered".into(),
        reason: format!("reason {second}"),
        place: Place::default(),
        packets: Vec::new(),
        trace: None,
        breach: None,
    }
}

fn full_entry() -> Entry {
    let packet = |direction, octets: &[u8]| PacketRecord {
        at: at(1),
        direction,
        link: Link::Change,
        from: "192.0.2.1:40000".parse().unwrap(),
        to: "[2001:db8::1]:3799".parse().unwrap(),
        octets: octets.to_vec(),
    };
    Entry {
        kind: Kind::Change,
        verdict: "nak-503".into(),
        place: Place {
            switch: Some("quay-1".into()),
            port: Some("1/0/7".into()),
            mac: Some(mac(7)),
            identity: Some("ada".into()),
            class: Some("printer".into()),
            session: Some(9),
            change: Some(ChangeKind::Bounce),
            order: Some(4),
        },
        packets: vec![
            packet(Direction::Out, &[43, 1]),
            packet(Direction::In, &[45, 1, 0xff]),
        ],
        trace: Some(Trace {
            rows: vec![RowTrace {
                class: "printer".into(),
                place: "quay.yaml:12".into(),
                fits: true,
                because: "MAC prefix 02-00-00".into(),
            }],
            summary: "printer".into(),
        }),
        breach: Some("RFC 5176 section 3.5".into()),
        ..entry(0)
    }
}

fn device(n: u32) -> Device {
    Device {
        mac: mac(n),
        sightings: Sightings {
            dhcp: BTreeMap::from([("host-name".to_owned(), format!("Ticket-{n}"))]),
        },
        class: Some("printer".into()),
        why: Some("because".into()),
        first_seen: at(0),
        last_seen: at(i64::from(n)),
        pin: None,
        machine: None,
    }
}

fn session(id: u64, state: SessionState) -> Session {
    Session {
        id,
        switch: "quay-1".into(),
        address: "192.0.2.9".parse().unwrap(),
        port: Some(format!("1/0/{id}")),
        mac: Some(mac(7)),
        identity: None,
        method: MethodName::EapTls,
        class: "printer".into(),
        request: vec![1, 2, 3],
        login: None,
        acct_session_id: Some("A1".into()),
        accepted: at(0),
        accepted_here: true,
        started: None,
        last_heard: at(1),
        octets: (5, 6),
        state,
    }
}

fn ended(second: i64) -> SessionState {
    SessionState::Ended {
        at: at(second),
        cause: "unplugged".into(),
    }
}

fn with_entries(entries: Vec<Entry>) -> Effects {
    Effects {
        entries,
        ..Effects::default()
    }
}

fn prune(store: &mut Store, now: Timestamp, limits: Limits, step: usize) -> Pruned {
    store.keep(limits);
    store.prune(now, step).unwrap()
}

struct Rig {
    store: Store,
    journal: Journal,
    reader: Reader,
}

impl Rig {
    fn new() -> Rig {
        Rig::over(Store::in_memory().unwrap())
    }

    fn over(store: Store) -> Rig {
        Rig {
            journal: store.journal(100).unwrap(),
            reader: store.reader().unwrap(),
            store,
        }
    }

    fn record(&mut self, mut steps: Vec<Effects>) {
        self.store.record(&self.journal, &mut steps).unwrap();
    }

    fn seqs(&self, query: &EntryQuery) -> Vec<u64> {
        let page = self.reader.entries(query).unwrap();
        page.items.iter().map(|entry| entry.seq).collect()
    }
}

#[test]
fn every_field_of_every_record_comes_back() {
    let mut rig = Rig::new();
    let devices = vec![
        device(1),
        Device {
            pin: Some(Pin {
                class: "phone".into(),
                note: Some("desk 3".into()),
            }),
            ..device(2)
        },
    ];
    let sessions = vec![session(1, ended(4)), session(2, SessionState::Running)];
    rig.record(vec![Effects {
        entries: vec![full_entry()],
        devices: devices.clone(),
        sessions: sessions.clone(),
        ..Effects::default()
    }]);
    let stored = rig.reader.entry(1).unwrap().unwrap();
    assert_eq!(
        stored,
        Entry {
            seq: 1,
            ..full_entry()
        }
    );
    let mut loaded = rig.reader.load().unwrap();
    loaded.devices.sort_by_key(|device| device.mac);
    assert_eq!(
        (loaded.devices, loaded.sessions),
        (devices.clone(), sessions.clone())
    );
    assert_eq!(rig.reader.device(mac(2)).unwrap().as_ref(), devices.get(1));
    assert_eq!(rig.reader.session(1).unwrap().as_ref(), sessions.first());
    assert_eq!(rig.reader.device(mac(3)).unwrap(), None);
    assert_eq!(rig.reader.entry(2).unwrap(), None);
}

#[test]
fn steps_are_applied_in_order() {
    let mut rig = Rig::new();
    let know = |n| Effects {
        devices: vec![device(n)],
        ..Effects::default()
    };
    let forget = |n| Effects {
        forgotten: vec![mac(n)],
        ..Effects::default()
    };
    rig.record(vec![know(1), forget(1), forget(2), know(2)]);
    assert_eq!(rig.reader.device(mac(1)).unwrap(), None);
    assert_eq!(rig.reader.device(mac(2)).unwrap(), Some(device(2)));
}

#[test]
fn a_refused_commit_shows_nothing_and_leaves_no_gap() {
    let mut rig = Rig::new();
    rig.record(vec![with_entries(vec![entry(0)])]);
    // A journal that lags behind the file gives a number that is taken.
    let lagging = Journal::new(0, 10);
    let mut steps = [with_entries(vec![entry(1)])];
    assert!(rig.store.record(&lagging, &mut steps).is_err());
    assert_eq!(lagging.last(), 0);
    assert_eq!(steps[0].entries.len(), 1);
    rig.record(vec![with_entries(vec![entry(1)])]);
    assert_eq!(
        rig.seqs(&EntryQuery {
            after: Some(0),
            limit: 9,
            ..EntryQuery::default()
        }),
        [1, 2]
    );
}

#[test]
fn pages_run_both_ways_and_say_whether_there_is_more() {
    let mut rig = Rig::new();
    rig.record(vec![with_entries((0..10).map(entry).collect())]);
    let query = |after, before, limit| EntryQuery {
        after,
        before,
        limit,
        ..EntryQuery::default()
    };
    assert_eq!(rig.seqs(&query(None, None, 3)), [10, 9, 8]);
    assert_eq!(rig.seqs(&query(None, Some(8), 3)), [7, 6, 5]);
    assert_eq!(rig.seqs(&query(Some(2), None, 3)), [3, 4, 5]);
    assert_eq!(rig.seqs(&query(Some(2), Some(5), 9)), [3, 4]);
    let more = |query| rig.reader.entries(&query).unwrap().more;
    assert!(more(query(None, None, 9)));
    assert!(!more(query(None, None, 10)));
    assert!(more(query(Some(0), None, 9)));
    assert!(!more(query(Some(9), None, 9)));
}

/// The filter in SQL and the one in memory must agree on every combination.
#[test]
fn the_filter_means_the_same_in_the_file_and_in_memory() {
    let mut rig = Rig::new();
    let mut entries = Vec::new();
    for n in 0..240_u32 {
        let pick = |words: &[&str]| Some(words[n as usize % words.len()].to_owned());
        let mut one = entry(i64::from(n));
        // The clock steps back once.
        if n >= 120 {
            one.at = at(i64::from(n) - 60);
        }
        one.kind = Kind::ALL[n as usize % 3];
        one.verdict = pick(&[
            "answered",
            "dropped-malformed",
            "dropped-unknown-switch",
            "nak-503",
        ])
        .unwrap();
        one.place = Place {
            switch: pick(&["quay-1", "quay-2"]),
            port: pick(&["1", "2", "3"]),
            mac: (n % 5 > 0).then(|| mac(n % 5)),
            class: pick(&["printer", "phone", "till", "holding"]),
            session: (n % 7 > 0).then_some(u64::from(n % 7)),
            ..Place::default()
        };
        entries.push(one);
    }
    rig.record(vec![with_entries(entries)]);
    let all = rig
        .reader
        .entries(&EntryQuery {
            limit: 1000,
            ..EntryQuery::default()
        })
        .unwrap()
        .items;
    let fields = [
        serde_json::json!({}),
        serde_json::json!({"switch": "quay-1"}),
        serde_json::json!({"port": "2"}),
        serde_json::json!({"mac": mac(3)}),
        serde_json::json!({"class": "phone"}),
        serde_json::json!({"verdict": "dropped-*"}),
        serde_json::json!({"verdict": "nak-503"}),
        serde_json::json!({"verdict": "*"}),
        serde_json::json!({"kind": "status"}),
        serde_json::json!({"session": 4}),
        serde_json::json!({"since": at(100)}),
        serde_json::json!({"until": at(100)}),
    ];
    let mut hits = 0;
    for first in &fields {
        for second in &fields {
            let mut joined = first.as_object().unwrap().clone();
            joined.extend(second.as_object().unwrap().clone());
            let filter: Filter = serde_json::from_value(joined.into()).unwrap();
            let expected: Vec<u64> = all
                .iter()
                .filter(|entry| filter.fits(entry))
                .map(|entry| entry.seq)
                .collect();
            hits += expected.len();
            let query = EntryQuery {
                filter: filter.clone(),
                limit: 1000,
                ..EntryQuery::default()
            };
            assert_eq!(rig.seqs(&query), expected, "{filter:?}");
        }
    }
    assert!(hits > 240);
}

#[test]
fn the_roster_is_searched_in_any_spelling() {
    let mut rig = Rig::new();
    rig.record(vec![Effects {
        devices: (1..=30)
            .map(|n| Device {
                class: Some(if n % 2 == 0 { "till" } else { "printer" }.into()),
                pin: (n == 5).then(|| Pin {
                    class: "gate".into(),
                    note: Some("Berth 4".into()),
                }),
                ..device(n)
            })
            .collect(),
        ..Effects::default()
    }]);
    let found = |search: &str| -> Vec<Mac> {
        let query = DeviceQuery {
            search: Some(search.into()),
            order: DeviceOrder::Mac,
            limit: 100,
            ..DeviceQuery::default()
        };
        let page = rig.reader.devices(&query).unwrap();
        page.items.iter().map(|device| device.mac).collect()
    };
    for spelling in [
        "02-00-00-00-00-05",
        "02:00:00:00:00:05",
        "0200.0000.0005",
        "020000000005",
    ] {
        assert_eq!(found(spelling), [mac(5)], "{spelling}");
    }
    assert_eq!(found("berth 4"), [mac(5)]);
    assert_eq!(found("TICKET-30"), [mac(30)]);
    assert_eq!(found("till ticket-3"), [mac(30)]);
    assert_eq!(found("100%"), []);
    assert_eq!(found("00-05"), [mac(5)]);

    let pinned = DeviceQuery {
        pinned: true,
        limit: 9,
        ..DeviceQuery::default()
    };
    assert_eq!(rig.reader.devices(&pinned).unwrap().items.len(), 1);
    let second = DeviceQuery {
        offset: 10,
        limit: 10,
        ..DeviceQuery::default()
    };
    let page = rig.reader.devices(&second).unwrap();
    assert_eq!(page.items[0].mac, mac(20));
    assert!(page.more);
}

#[test]
fn sessions_are_found_by_place_and_state() {
    let mut rig = Rig::new();
    let running = (1..=5).map(|id| session(id, SessionState::Running));
    let over = (6..=9).map(|id| session(id, ended(1)));
    rig.record(vec![Effects {
        sessions: running.chain(over).collect(),
        ..Effects::default()
    }]);
    let ids = |query: SessionQuery| -> Vec<u64> {
        let page = rig
            .reader
            .sessions(&SessionQuery { limit: 10, ..query })
            .unwrap();
        page.items.iter().map(|session| session.id).collect()
    };
    assert_eq!(ids(SessionQuery::default()), [9, 8, 7, 6, 5, 4, 3, 2, 1]);
    assert_eq!(
        ids(SessionQuery {
            live: Some(true),
            ..Default::default()
        }),
        [5, 4, 3, 2, 1]
    );
    assert_eq!(
        ids(SessionQuery {
            live: Some(false),
            before: Some(8),
            ..Default::default()
        }),
        [7, 6]
    );
    assert_eq!(
        ids(SessionQuery {
            switch: Some("quay-1".into()),
            port: Some("1/0/3".into()),
            mac: Some(mac(7)),
            ..Default::default()
        }),
        [3]
    );
    assert_eq!(
        ids(SessionQuery {
            switch: Some("quay".into()),
            ..Default::default()
        }),
        [0; 0]
    );
}

#[test]
fn a_port_keeps_its_newest_access_and_change() {
    let mut rig = Rig::new();
    let on_port = |kind, verdict: &str| Entry {
        kind,
        verdict: verdict.into(),
        place: Place {
            switch: Some("quay-1".into()),
            port: Some("7".into()),
            ..Place::default()
        },
        ..entry(3)
    };
    rig.record(vec![with_entries(vec![
        on_port(Kind::Access, "rejected"),
        on_port(Kind::Change, "acked"),
        on_port(Kind::Access, "answered"),
        on_port(Kind::Sighting, "learnt"),
    ])]);
    let ports = rig.reader.ports(10).unwrap();
    let [port] = &ports[..] else {
        panic!("{ports:?}")
    };
    assert_eq!(port.access.as_ref().unwrap().verdict, "answered");
    assert_eq!(port.change.as_ref().unwrap().verdict, "acked");
}

#[test]
fn pruning_takes_the_oldest_in_small_steps_and_numbers_go_on() {
    let mut rig = Rig::new();
    rig.record(vec![Effects {
        entries: (0..100)
            .map(|n| Entry {
                packets: full_entry().packets,
                ..entry(n)
            })
            .collect(),
        sessions: (1..=20)
            .map(|id| session(id, ended(i64::try_from(id).unwrap())))
            .collect(),
        ..Effects::default()
    }]);
    let limits = Limits {
        entries: 30,
        ended_sessions: 5,
        age: None,
    };
    let mut steps = 0;
    while prune(&mut rig.store, at(100), limits, 8).is_more() {
        steps += 1;
    }
    assert!(steps >= 8, "{steps}");
    let totals = rig.reader.totals().unwrap();
    assert_eq!((totals.first_entry, totals.last_entry), (71, 100));
    let left = rig
        .reader
        .sessions(&SessionQuery {
            limit: 99,
            ..SessionQuery::default()
        })
        .unwrap();
    assert_eq!(
        left.items.iter().map(|s| s.id).collect::<Vec<_>>(),
        [20, 19, 18, 17, 16]
    );
    assert_eq!(rig.reader.entry(70).unwrap(), None);
    assert_eq!(rig.reader.entry(71).unwrap().unwrap().packets.len(), 2);

    let by_age = Limits {
        age: Some(SignedDuration::from_secs(10)),
        ..Limits::default()
    };
    while prune(&mut rig.store, at(100), by_age, 8).is_more() {}
    assert_eq!(rig.reader.totals().unwrap().first_entry, 91);
    while prune(&mut rig.store, at(10_000), by_age, 8).is_more() {}
    assert_eq!(rig.reader.totals().unwrap().first_entry, 100);
    assert_eq!(rig.store.journal(9).unwrap().last(), 100);
    let left = rig
        .reader
        .sessions(&SessionQuery {
            limit: 99,
            ..SessionQuery::default()
        })
        .unwrap();
    assert_eq!(left.items.len(), 1);
}

#[test]
fn live_sessions_are_never_pruned() {
    let mut rig = Rig::new();
    rig.record(vec![Effects {
        sessions: (1..=9)
            .map(|id| session(id, SessionState::Running))
            .collect(),
        ..Effects::default()
    }]);
    let limits = Limits {
        entries: 0,
        ended_sessions: 0,
        age: Some(SignedDuration::ZERO),
    };
    prune(&mut rig.store, at(9999), limits, 100);
    assert_eq!(rig.reader.totals().unwrap().live_sessions, 9);
}

mod file {
    use super::*;

    #[test]
    fn a_second_opener_is_told_who_has_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("quay.portproof-state");
        let first = Store::open(&path).unwrap();
        let error = Store::open(&path).unwrap_err();
        assert!(matches!(error, StoreError::InUse { .. }), "{error}");
        let text = error.to_string();
        assert!(text.contains(&std::process::id().to_string()), "{text}");
        assert!(text.contains("--state"), "{text}");
        drop(first);
        Store::open(&path).unwrap();
    }

    #[test]
    fn others_learn_where_the_board_is() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("quay.portproof-state");
        assert_eq!(holder(&path).unwrap(), None);
        let store = Store::open(&path).unwrap();
        let process = Some(std::process::id());
        let quiet = Holder {
            process,
            board: None,
        };
        assert_eq!(holder(&path).unwrap(), Some(quiet));
        let board = "127.0.0.1:8312".parse().ok();
        store.announce(board.unwrap()).unwrap();
        assert_eq!(holder(&path).unwrap(), Some(Holder { process, board }));
        drop(store);
        assert_eq!(holder(&path).unwrap(), None);
    }

    #[test]
    fn state_survives_and_the_era_stays() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("quay.portproof-state");
        let mut rig = Rig::over(Store::open(&path).unwrap());
        rig.record(vec![with_entries(vec![full_entry()])]);
        let era = rig.reader.era().unwrap();
        drop(rig);
        let mut rig = Rig::over(Store::open(&path).unwrap());
        assert_eq!(rig.reader.era().unwrap(), era);
        rig.record(vec![with_entries(vec![entry(1)])]);
        assert_eq!(rig.reader.last_seq().unwrap(), 2);
        assert_ne!(Rig::new().reader.era().unwrap(), era);
    }

    #[cfg(unix)]
    #[test]
    fn only_its_owner_may_read_it() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("quay.portproof-state");
        let mut rig = Rig::over(Store::open(&path).unwrap());
        rig.record(vec![with_entries(vec![full_entry()])]);
        for ending in ["", "-wal", "-shm"] {
            let name = format!("{}{ending}", path.display());
            let mode = std::fs::metadata(&name).unwrap().permissions().mode();
            assert_eq!(mode & 0o077, 0, "{name} {mode:o}");
        }
    }

    #[test]
    fn other_files_are_refused_and_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("other.db");
        let other = rusqlite::Connection::open(&path).unwrap();
        other.execute_batch("CREATE TABLE devices (id)").unwrap();
        drop(other);
        assert!(matches!(
            Store::open(&path).unwrap_err(),
            StoreError::Foreign { .. }
        ));

        let text = folder.path().join("notes.txt");
        std::fs::write(
            &text,
            "not a database, but long enough to be taken for one".repeat(9),
        )
        .unwrap();
        assert!(Store::open(&text).is_err());
        assert!(
            std::fs::read_to_string(&text)
                .unwrap()
                .starts_with("not a database")
        );
    }

    #[test]
    fn a_newer_layout_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("quay.portproof-state");
        drop(Store::open(&path).unwrap());
        let connection = rusqlite::Connection::open(&path).unwrap();
        connection.pragma_update(None, "user_version", 99).unwrap();
        drop(connection);
        let error = Store::open(&path).unwrap_err();
        assert!(
            matches!(error, StoreError::TooNew { found: 99, .. }),
            "{error}"
        );
    }

    #[test]
    fn readers_look_on_while_the_writer_writes() {
        let folder = tempfile::tempdir().unwrap();
        let mut rig = Rig::over(Store::open(&folder.path().join("s")).unwrap());
        for n in 0..20 {
            rig.record(vec![with_entries(vec![entry(n)])]);
            assert_eq!(rig.reader.last_seq().unwrap(), rig.journal.last());
        }
    }
}

/// A follower that is sent to the file finds there what left memory.
#[tokio::test]
async fn a_follower_catches_up_from_the_file() {
    let mut rig = Rig::new();
    rig.journal = rig.store.journal(4).unwrap();
    rig.record(vec![with_entries((0..10).map(entry).collect())]);
    let journal = std::sync::Arc::new(rig.journal);
    let mut follower: Follower = journal.follow(2);
    let Some(News::Read { from, to }) = follower.next(100).await else {
        panic!()
    };
    let query = EntryQuery {
        after: Some(from - 1),
        before: Some(to),
        limit: 100,
        ..EntryQuery::default()
    };
    let mut seen: Vec<u64> = rig
        .reader
        .entries(&query)
        .unwrap()
        .items
        .iter()
        .map(|entry| entry.seq)
        .collect();
    follower.seen(to - 1);
    let Some(News::Entries(rest)) = follower.next(100).await else {
        panic!()
    };
    seen.extend(rest.iter().map(|entry| entry.seq));
    assert_eq!(seen, [3, 4, 5, 6, 7, 8, 9, 10]);
}
