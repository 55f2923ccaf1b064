//! The board over HTTP: what it answers, what it refuses, and that no live event is lost.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic
)]

mod client;
mod look;
mod world;

use std::sync::Arc;

use client::{Client, Events};
use jiff::Timestamp;
use portproof::board::{Access, BoardError};
use portproof::journal::Kind;
use portproof::wire::Secret;
use serde_json::{Value, json};
use world::*;

fn start() -> Timestamp {
    "2026-03-01T10:00:00Z".parse().unwrap()
}

fn printer_bench() -> (World, Client) {
    let world = World::new(100);
    new_printer(&world, start(), PRINTER, "1/0/7", 1);
    world.entries(vec![rejected(start(), Mac([2, 0, 0, 0, 0, 9]), "1/0/9")]);
    let client = Client::start(&world, Access::default());
    (world, client)
}

use portproof::wire::Mac;

#[test]
fn a_story_is_shown_from_holding_to_its_class() {
    let (_, client) = printer_bench();
    let page = client.get("/api/entries?mac=02005e001001");
    let verdicts: Vec<&str> = page["entries"]
        .as_array()
        .unwrap()
        .iter()
        .map(|entry| entry["verdict"].as_str().unwrap())
        .collect();
    assert_eq!(
        verdicts,
        [
            "answered-accept",
            "acked",
            "sent",
            "recognised",
            "learnt",
            "answered-accept"
        ]
    );
    let story = client.get("/api/entries/3/story");
    let arrows: Vec<String> = story
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|exchange| exchange["steps"].as_array().unwrap())
        .map(|step| {
            format!("{} > {}: {}", step["from"], step["to"], step["label"]).replace('"', "")
        })
        .collect();
    assert_eq!(
        arrows,
        [
            "device > switch: a frame",
            "switch > portproof: Access-Request · id 1",
            "portproof > switch: Access-Accept · id 1",
            "switch > device: port opens",
            "device > portproof: DHCPDISCOVER (relayed)",
            "portproof > portproof: recognised: printer",
            "portproof > switch: CoA-Request, bounce · id 3",
            "switch > portproof: CoA-ACK · id 3",
            "switch > device: link down, link up",
            "device > switch: a frame",
            "switch > portproof: Access-Request · id 2",
            "portproof > switch: Access-Accept · id 2",
            "switch > device: port opens",
        ]
    );
}

#[test]
fn an_exchange_has_attributes_beside_hex_and_a_trace() {
    let (_, client) = printer_bench();
    let exchange = client.get("/api/entries/1");
    assert_eq!(exchange["entry"]["verdict"], "answered-accept");
    assert_eq!(exchange["trace"]["rows"][2]["class"], "holding");
    let request = &exchange["packets"][0];
    assert_eq!(request["name"], "Access-Request");
    let port = request["attributes"]
        .as_array()
        .unwrap()
        .iter()
        .find(|attribute| attribute["name"] == "NAS-Port-Id")
        .unwrap();
    let from = 2 * port["offset"].as_u64().unwrap() as usize;
    let hex = &request["octets"].as_str().unwrap()[from..from + 14];
    assert_eq!(hex, "5707312f302f37");
    let broken = client.get("/api/entries?verdict=answered-reject*");
    assert_eq!(broken["entries"][0]["breach"], "RFC 3579 section 3.2");
}

#[test]
fn ports_stand_in_rows_with_what_is_wrong() {
    let (_, client) = printer_bench();
    let switches = client.get("/api/ports");
    let hall = &switches[0];
    assert_eq!(
        (&hall["name"], &hall["dialect"]),
        (&json!("ticket-hall"), &json!("plain"))
    );
    assert_eq!(
        hall["changes"],
        json!(["bounce", "reauth", "regrant", "disconnect"])
    );
    let printer = &hall["ports"][0];
    assert_eq!(printer["port"], "1/0/7");
    assert_eq!(printer["sessions"][0]["class"], "printer");
    assert_eq!(printer["sessions"][0]["method"], "mac");
    assert_eq!(
        (&printer["held"], printer.get("trouble")),
        (&json!(false), None)
    );
    let person = &hall["ports"][1];
    assert_eq!(
        person["trouble"]["verdict"],
        "answered-reject-wrong-password"
    );
    assert_eq!(switches[1]["name"], "gate");
}

#[test]
fn mistakes_are_answered_with_place_and_remedy() {
    let (_, client) = printer_bench();
    for (path, status, words) in [
        ("/api/entries?mac=nonsense", 400, "not a MAC address"),
        ("/api/entries?kind=nonsense", 400, "there are access"),
        ("/api/entries?since=yesterday", 400, "2026-03-01T10:00:00Z"),
        ("/api/entries?limit=0", 400, "1 to 1000"),
        ("/api/entries?limit=1001", 400, "1 to 1000"),
        ("/api/entries?colour=red", 400, "colour"),
        ("/api/entries/x", 400, "not a number"),
        ("/api/entries/99", 404, "no entry 99"),
        ("/api/entries/99/story", 404, "no entry 99"),
        ("/api/devices/02-00-00-00-00-77", 404, "does not know"),
        ("/api/devices/zz", 400, "not a MAC address"),
        ("/api/live?limit=4", 400, "neither"),
        ("/api/nothing", 404, "nothing here"),
        ("/page/nothing.js", 404, "no such file"),
    ] {
        let (got, body) = client.raw("GET", path, &[], None);
        assert_eq!(got, status, "{path}: {body}");
        let body: Value = serde_json::from_str(&body).unwrap();
        assert!(
            body["error"].as_str().unwrap().contains(words),
            "{path}: {body}"
        );
    }
}

#[test]
fn a_change_by_hand_is_ordered_and_its_course_is_in_the_journal() {
    let (_, client) = printer_bench();
    for asked in [
        json!({"kind": "bounce", "port": "1/0/7"}),
        json!({"kind": "reauth", "port": "1/0/7", "switch": "ticket-hall"}),
        json!({"kind": "regrant", "mac": "0200.5e00.1001", "reason": "moved desks"}),
        json!({"kind": "disconnect", "session": 2}),
    ] {
        let (status, body) = client.send("POST", "/api/changes", &asked);
        assert_eq!(status, 202, "{body}");
        let order = body["order"].as_u64().unwrap();
        let newest = client.get("/api/entries?kind=change&limit=2");
        assert_eq!(newest["entries"][0]["order"], order);
        assert_eq!(newest["entries"][0]["change"], asked["kind"]);
        let reason = asked["reason"].as_str().unwrap_or("by hand");
        assert_eq!(newest["entries"][1]["reason"], reason);
    }
    for (asked, status) in [
        (json!({"kind": "bounce", "port": "1/0/99"}), 409),
        (json!({"kind": "explode", "port": "1/0/7"}), 400),
        (json!({"kind": "bounce"}), 400),
        (
            json!({"kind": "bounce", "session": 2, "port": "1/0/7"}),
            400,
        ),
        (json!({"kind": "bounce", "switch": "ticket-hall"}), 400),
        (json!({"kind": "bounce", "port": "1/0/7", "now": true}), 400),
        (json!("bounce"), 400),
    ] {
        let (got, body) = client.send("POST", "/api/changes", &asked);
        assert_eq!(got, status, "{asked}: {body}");
    }
}

#[test]
fn the_roster_is_searched_pinned_and_forgotten() {
    let (_, client) = printer_bench();
    let found = client.get("/api/devices?search=5e001001");
    assert_eq!(
        found["devices"][0]["sightings"]["vendor-class"],
        "ticket printer"
    );
    let pin = "/api/devices/02:00:5e:00:10:01/pin";
    let (status, body) = client.send("PUT", pin, &json!({"class": "phone", "note": "desk 3"}));
    assert_eq!(status, 204, "{body}");
    let pinned = client.get("/api/devices?pinned=true");
    assert_eq!(pinned["devices"][0]["pin"], "phone");
    assert_eq!(pinned["devices"][0]["pin_note"], "desk 3");
    let (status, body) = client.send("PUT", pin, &json!({"class": "boat"}));
    assert_eq!(status, 409, "{body}");
    assert_eq!(client.raw("DELETE", pin, &[], None).0, 204);
    assert_eq!(client.get("/api/devices?pinned=true")["devices"], json!([]));

    let device = "/api/devices/02-00-5E-00-10-01";
    assert_eq!(client.raw("DELETE", device, &[], None).0, 204);
    assert_eq!(client.raw("DELETE", device, &[], None).0, 404);
    assert_eq!(client.raw("GET", device, &[], None).0, 404);
}

#[test]
fn an_import_is_taken_over_whole_or_not_at_all() {
    let (_, client) = printer_bench();
    let till = json!({"mac": "02-00-00-00-00-21", "pin": "till",
        "sightings": {"host-name": "till-21"}});
    let (status, body) = client.send("POST", "/api/devices", &json!([till]));
    assert_eq!(status, 204, "{body}");
    let found = client.get("/api/devices?search=till-21");
    assert_eq!(found["devices"][0]["pin"], "till");
    for wrong in [
        json!({"mac": "02-00-00-00-00-zz"}),
        json!({"mac": "02-00-00-00-00-22", "sightings": {"colour": "red"}}),
        json!({"mac": "02-00-00-00-00-22", "colour": "red"}),
        json!({}),
    ] {
        let both = json!([{"mac": "02-00-00-00-00-23"}, wrong]);
        let (status, body) = client.send("POST", "/api/devices", &both);
        assert_eq!(status, 400, "{body}");
    }
    assert_eq!(
        client
            .raw("GET", "/api/devices/02-00-00-00-00-23", &[], None)
            .0,
        404
    );
}

#[test]
fn a_what_if_decides_and_sends_nothing() {
    let (world, client) = printer_bench();
    let before = world.journal.last();
    let ask = |asked: Value| client.send("POST", "/api/what-if", &asked);
    let (status, answer) = ask(json!({"mac": "02-00-00-00-00-31", "port": "1/0/3",
        "sightings": {"vendor-class": "till"}}));
    assert_eq!(
        (status, &answer["class"]),
        (200, &json!("till")),
        "{answer}"
    );
    assert_eq!(answer["facts"]["method"], "mac");
    let grant: Vec<&Value> = answer["grant"]
        .as_array()
        .unwrap()
        .iter()
        .map(|a| &a["value"])
        .collect();
    assert!(
        grant
            .iter()
            .any(|value| value.as_str().unwrap().contains("40")),
        "{grant:?}"
    );
    // What the roster knows counts too.
    let (_, answer) = ask(json!({"mac": "02-00-5e-00-10-01"}));
    assert_eq!(answer["class"], "printer");
    let (_, answer) = ask(json!({"identity": "ada@quay.example", "method": "pap"}));
    assert_eq!(answer["class"], "crew");
    // An entry's own request, then the same in hex.
    let (_, answer) = ask(json!({"entry": 1}));
    assert_eq!(answer["facts"]["port"], "1/0/7");
    let hex = client.get("/api/entries/1")["packets"][0]["octets"].clone();
    let (_, answer) = ask(json!({"request": hex, "port": "1/0/9", "mac": "02-00-00-00-00-32"}));
    assert_eq!(answer["class"], "gate", "{answer}");
    for wrong in [
        json!({"request": "0102"}),
        json!({"request": "xyz"}),
        json!({"entry": 1, "request": hex}),
        json!({"entry": 99}),
        json!({"entry": 5}),
        json!({"switch": "nowhere"}),
        json!({"method": "handshake"}),
        json!({"sightings": {"colour": "red"}}),
    ] {
        let (status, body) = ask(wrong.clone());
        assert!(matches!(status, 400 | 404), "{wrong}: {status} {body}");
    }
    assert_eq!(world.journal.last(), before);
}

#[test]
fn a_capture_is_a_whole_pcapng() {
    use portproof_pcap::packets;
    let (_, client) = printer_bench();
    let count = |path: &str| packets(&client.octets(path)).len();
    assert_eq!(count("/api/capture.pcapng"), 9);
    assert_eq!(count("/api/capture.pcapng?kind=access"), 6);
    assert_eq!(count("/api/capture.pcapng?after=1&before=3"), 1);
    assert_eq!(count("/api/capture.pcapng?limit=1"), 2);
    assert_eq!(count("/api/capture.pcapng?class=nothing"), 0);
}

mod portproof_pcap {
    use pcap_file::pcapng::{Block, PcapNgReader};

    pub fn packets(file: &[u8]) -> Vec<Vec<u8>> {
        let mut reader = PcapNgReader::new(file).unwrap();
        let mut found = Vec::new();
        while let Some(block) = reader.next_block() {
            if let Block::EnhancedPacket(packet) = block.unwrap() {
                found.push(packet.data.to_vec());
            }
        }
        found
    }
}

#[test]
fn a_refused_reload_says_why() {
    let (world, client) = printer_bench();
    let (status, body) = client.raw("POST", "/api/reload", &[], None);
    assert_eq!((status, body.as_str()), (200, "7 classes in force"));
    world.refuse_reload("lantern-quay.yaml:3:7: unknown key 'grnat'");
    let (status, body) = client.raw("POST", "/api/reload", &[], None);
    assert_eq!(status, 409);
    assert!(body.contains("grnat"), "{body}");
}

#[test]
fn health_and_metrics_for_machines() {
    let (world, client) = printer_bench();
    assert_eq!(
        client.raw("GET", "/healthz", &[], None),
        (200, "ok\n".into())
    );
    // The counters begin with the board; wait for it to have seen this one.
    world.entries(vec![rejected(start(), PRINTER, "1/0/9")]);
    let text = client.wait_for("/metrics", |text| text.contains("wrong-password"));
    for line in [
        "portproof_entries_total{kind=\"access\",verdict=\"answered-reject-wrong-password\"} 1",
        "portproof_packets_total{link=\"authentication\",direction=\"in\"} 1",
        "portproof_breaches_total{section=\"RFC 3579 section 3.2\"} 1",
        "portproof_devices 1",
        "portproof_live_sessions 1",
        "portproof_last_entry 8",
    ] {
        assert!(text.lines().any(|have| have == line), "{line}\n{text}");
    }
}

/// Neither the shared secret nor a password, in any form in which it was at hand, is in anything
/// that the board says.
#[test]
fn no_answer_holds_a_secret() {
    let (_, client) = printer_bench();
    let hidden: Vec<String> = {
        use portproof::wire::hide::hide_password;
        let secret = Secret::new(SHARED_SECRET);
        [PASSWORD, "02005e001001"]
            .iter()
            .map(|word| hide_password(word.as_bytes(), &secret, &[7; 16]).unwrap())
            .map(|octets| octets.iter().map(|octet| format!("{octet:02x}")).collect())
            .collect()
    };
    let mut paths: Vec<String> = (1..=7).map(|seq| format!("/api/entries/{seq}")).collect();
    paths.extend((1..=7).map(|seq| format!("/api/entries/{seq}/story")));
    for path in [
        "/api/bench",
        "/api/ports",
        "/api/entries",
        "/api/devices",
        "/api/sessions",
        "/metrics",
        "/api/capture.pcapng",
        "/",
    ] {
        paths.push(path.into());
    }
    let mut answers: Vec<(String, Vec<u8>)> = paths
        .into_iter()
        .map(|path| (path.clone(), client.octets(&path)))
        .collect();
    for asked in [
        json!({"entry": 7}),
        json!({"identity": "ada", "method": "pap"}),
    ] {
        let (_, body) = client.send("POST", "/api/what-if", &asked);
        answers.push(("/api/what-if".into(), body.to_string().into_bytes()));
    }
    let hex = |octets: &[u8]| -> String { octets.iter().map(|o| format!("{o:02x}")).collect() };
    for (path, body) in answers {
        let text = String::from_utf8_lossy(&body);
        let body_hex = hex(&body);
        for secret in [SHARED_SECRET, PASSWORD] {
            assert!(!text.contains(secret), "{path} says {secret}");
            assert!(
                !text.contains(&hex(secret.as_bytes())),
                "{path} says {secret} in hex"
            );
        }
        for hidden in &hidden {
            assert!(
                !text.contains(hidden) && !body_hex.contains(hidden),
                "{path}"
            );
        }
    }
}

mod live {
    use super::*;

    fn notes(world: &World, count: usize) {
        let entries = (0..count)
            .map(|n| {
                entry(
                    start(),
                    Kind::Desk,
                    "done",
                    &n.to_string(),
                    Default::default(),
                )
            })
            .collect();
        world.entries(entries);
    }

    #[test]
    fn entries_arrive_as_they_happen() {
        let (world, client) = printer_bench();
        let mut events = Events::open(&client, "/api/live", None);
        notes(&world, 3);
        assert_eq!(events.numbers(3), [8, 9, 10]);
    }

    /// Lost and picked up again and again, with more going by in between than memory holds.
    #[test]
    fn a_lost_connection_loses_no_entry() {
        let world = World::new(16);
        let client = Client::start(&world, Access::default());
        let mut events = Events::open(&client, "/api/live", None);
        let mut seen = Vec::new();
        for round in 1..=12 {
            notes(&world, round);
            seen.extend(events.numbers(1));
            let last = events.last_id();
            drop(events);
            notes(&world, round * round);
            events = Events::open(&client, "/api/live", Some(&last));
        }
        let total = world.journal.last();
        while seen.last() != Some(&total) {
            seen.extend(events.numbers(1));
        }
        assert_eq!(seen, (1..=total).collect::<Vec<u64>>());
    }

    #[test]
    fn a_follower_from_another_journal_is_told_to_start_anew() {
        let (_, client) = printer_bench();
        for id in ["000000000000-3", "nonsense", "7", "-"] {
            let mut events = Events::open(&client, "/api/live", Some(id));
            assert_eq!(events.next().name, "anew", "{id}");
        }
    }

    #[test]
    fn a_filter_leaves_out_the_rest_and_keeps_the_place() {
        let (world, client) = printer_bench();
        let mut events = Events::open(&client, "/api/live?kind=access&after=0", None);
        assert_eq!(events.numbers(3), [1, 6, 7]);
        notes(&world, 5);
        world.entries(vec![rejected(start(), PRINTER, "1/0/9")]);
        assert_eq!(events.numbers(1), [13]);
        assert!(events.last_id().ends_with("-13"), "{}", events.last_id());
    }

    #[test]
    fn a_stop_ends_the_stream() {
        let (_, mut client) = printer_bench();
        let mut events = Events::open(&client, "/api/live", None);
        client.stop();
        assert!(events.ends());
    }
}

mod guard {
    use super::*;

    #[test]
    fn by_another_name_or_from_another_site_nothing_goes() {
        let (world, client) = printer_bench();
        let bounce = json!({"kind": "bounce", "port": "1/0/7"}).to_string();
        let before = world.journal.last();
        for (headers, status) in [
            (vec![("Host", "evil.example")], 421),
            (vec![("Origin", "http://evil.example")], 403),
            (vec![("Sec-Fetch-Site", "cross-site")], 403),
        ] {
            let (got, body) = client.raw("POST", "/api/changes", &headers, Some(&bounce));
            assert_eq!(got, status, "{headers:?} {body}");
        }
        // A form of another site can only send these kinds of text, which are not taken.
        for kind in [
            "text/plain",
            "application/x-www-form-urlencoded",
            "multipart/form-data",
        ] {
            let headers = [("Content-Type", kind)];
            let (got, _) = client.raw("POST", "/api/changes", &headers, Some(&bounce));
            assert_eq!(got, 415, "{kind}");
        }
        assert_eq!(world.journal.last(), before);
        assert_eq!(
            client
                .raw("GET", "/api/bench", &[("Host", "evil.example")], None)
                .0,
            421
        );
    }

    #[test]
    fn every_answer_carries_the_fixed_headers() {
        let (_, client) = printer_bench();
        for path in [
            "/",
            "/page/board.js",
            "/api/bench",
            "/api/nothing",
            "/metrics",
        ] {
            let headers = client.headers(path);
            let policy = &headers["content-security-policy"];
            assert!(policy.contains("default-src 'none'"), "{path}");
            assert!(!policy.contains("unsafe"), "{path}");
            assert_eq!(headers["x-content-type-options"], "nosniff", "{path}");
            assert_eq!(headers["cache-control"], "no-store", "{path}");
            assert!(
                !headers.contains_key("access-control-allow-origin"),
                "{path}"
            );
        }
    }

    #[test]
    fn a_token_opens_what_is_closed_without_it() {
        let world = World::new(10);
        new_printer(&world, start(), PRINTER, "1/0/7", 1);
        let token = "a-long-enough-token";
        let access = || Access {
            token: Some(Secret::new(token)),
            names: vec![],
        };
        let client = Client::start(&world, access());
        let bounce = json!({"kind": "bounce", "port": "1/0/7"}).to_string();
        let bearer = format!("Bearer {token}");
        assert_eq!(
            client.raw("POST", "/api/changes", &[], Some(&bounce)).0,
            401
        );
        assert_eq!(client.raw("GET", "/api/entries", &[], None).0, 401);
        assert_eq!(client.raw("GET", "/metrics", &[], None).0, 401);
        let with = [("Authorization", bearer.as_str())];
        assert_eq!(
            client.raw("POST", "/api/changes", &with, Some(&bounce)).0,
            202
        );
        assert_eq!(client.raw("GET", "/api/entries", &with, None).0, 200);
        assert_eq!(client.raw("GET", "/", &[], None).0, 200);
    }

    #[tokio::test]
    async fn without_a_token_it_stays_at_home() {
        let world = World::new(10);
        let listener = tokio::net::TcpListener::bind("0.0.0.0:0").await.unwrap();
        let board = world.board(Access::default());
        let error = board
            .serve(listener, std::future::pending())
            .await
            .unwrap_err();
        assert!(matches!(error, BoardError::Open(_)), "{error}");
        assert!(error.to_string().contains("token"), "{error}");
        let short = Access {
            token: Some(Secret::new("short")),
            names: vec![],
        };
        let refused = portproof::board::Board::new(
            Arc::new(world.clone()),
            Arc::clone(&world.journal),
            world.reader.clone(),
            short,
        );
        assert!(matches!(refused, Err(BoardError::ShortToken(5))));
    }
}

#[test]
fn records_go_by_the_names_of_their_fields() {
    let (_, client) = printer_bench();
    for (path, body) in [
        ("/api/what-if", json!([])),
        ("/api/what-if", json!([null, null])),
        ("/api/changes", json!(["bounce", 2])),
        ("/api/devices", json!([["02-00-00-00-00-21"]])),
        ("/api/devices", json!({"mac": "02-00-00-00-00-21"})),
    ] {
        let (status, answer) = client.send("POST", path, &body);
        assert_eq!(status, 400, "{path} {body}: {answer}");
    }
    for path in [
        "/api/entries?session=9223372036854775808",
        "/api/sessions?before=9223372036854775808",
        "/api/entries/9223372036854775808",
        "/api/devices?offset=10000001",
        "/api/capture.pcapng?limit=0",
    ] {
        assert_eq!(client.raw("GET", path, &[], None).0, 400, "{path}");
    }
}
