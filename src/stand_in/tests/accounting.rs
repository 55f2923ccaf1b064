//! Accounting by RFC 2866.

use super::*;

fn rig_with(grant: Vec<AttributeBuf>) -> Rig {
    Rig::granting(config(), grant)
}

fn texts(packet: &Packet<'_>, kind: u8) -> Vec<Vec<u8>> {
    packet.all(kind).map(|a| a.value.to_vec()).collect()
}

/// RFC 2866 sections 3, 4.1 and 5; RFC 2865 section 5.25: Class unchanged and in order.
#[test]
fn start_and_stop_say_who_where_and_what() {
    let mut grant = crate::wire::vlan::tunnel_vlan(0, "120").to_vec();
    grant.push(AttributeBuf::new(a::CLASS, *b"first"));
    grant.push(AttributeBuf::new(a::CLASS, [0, 255, 7]));
    grant.push(AttributeBuf::text(a::FILTER_ID, "till"));
    grant.push(AttributeBuf::text(a::FILTER_ID, "quiet"));
    let mut rig = rig_with(grant);
    rig.plug("2", "till");
    rig.run(millis(60_500));
    rig.act(|switch, now| switch.unplug(now, "till").unwrap());
    let session = rig.access_requests()[0]
        .text(a::ACCT_SESSION_ID)
        .unwrap()
        .to_owned();
    let (start_at, first) = rig.records(1)[0];
    let (stop_at, last) = rig.records(2)[0];
    assert_eq!(start_at.as_millis(), 500);
    assert_eq!(stop_at.as_millis(), 60_500);
    for record in [first, last] {
        assert!(sign::digested_request_is_authentic(&record, &secret()));
        assert_eq!(record.text(a::ACCT_SESSION_ID), Some(session.as_str()));
        assert_eq!(record.text(a::USER_NAME), Some("020000000a01"));
        assert_eq!(record.integer(a::NAS_PORT), Some(2));
        assert_eq!(record.text(a::NAS_PORT_ID), Some("2"));
        assert_eq!(
            record.text(a::CALLING_STATION_ID),
            Some("02-00-00-00-0A-01")
        );
        assert_eq!(record.integer(a::ACCT_AUTHENTIC), Some(1));
        assert_eq!(
            texts(&record, a::CLASS),
            [b"first".to_vec(), vec![0, 255, 7]]
        );
        assert_eq!(texts(&record, a::FILTER_ID), [b"quiet".to_vec()]);
        assert_eq!(record.text(a::TUNNEL_PRIVATE_GROUP_ID), Some("120"));
        assert!(record.first(a::ACCT_DELAY_TIME).is_none());
    }
    // RFC 2869 section 5.3
    assert_eq!(first.integer(a::EVENT_TIMESTAMP), Some(1_700_000_000));
    assert_eq!(last.integer(a::EVENT_TIMESTAMP), Some(1_700_000_060));
    // RFC 2866 section 5.7: not in Start.
    assert!(first.first(a::ACCT_SESSION_TIME).is_none());
    assert!(first.first(a::ACCT_TERMINATE_CAUSE).is_none());
    assert_eq!(last.integer(a::ACCT_SESSION_TIME), Some(60));
    assert_eq!(last.integer(a::ACCT_INPUT_OCTETS), Some(60_000));
    assert_eq!(last.integer(a::ACCT_TERMINATE_CAUSE), Some(2));
}

/// RFC 2866 section 5.1: On with the start, Off before the end; sessions stop before.
#[test]
fn on_and_off_frame_the_sessions() {
    let mut rig = rig_with(Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(10));
    rig.act(StandIn::stop);
    let statuses: Vec<u32> = rig
        .requests(Socket::Accounting)
        .iter()
        .map(|(_, packet)| packet.integer(a::ACCT_STATUS_TYPE).unwrap())
        .collect();
    assert_eq!(statuses, [7, 1, 2, 8]);
    // Admin Reboot
    assert_eq!(
        rig.records(2)[0].1.integer(a::ACCT_TERMINATE_CAUSE),
        Some(7)
    );
    assert!(rig.switch.sessions().is_empty());
    rig.run(seconds(60));
    assert_eq!(
        rig.access_requests().len(),
        1,
        "a switch that is off asks nothing"
    );
    rig.act(StandIn::start);
    rig.run(seconds(2));
    assert_eq!(rig.switch.sessions().len(), 1);
    let requests = rig.access_requests();
    assert_ne!(
        requests[0].text(a::ACCT_SESSION_ID),
        requests[1].text(a::ACCT_SESSION_ID)
    );
}

/// RFC 2865 section 5.1: the accept's User-Name is the one for accounting.
#[test]
fn the_servers_user_name_is_used() {
    let mut rig = rig_with(vec![AttributeBuf::text(a::USER_NAME, "till-4")]);
    rig.plug("1", "till");
    rig.run(seconds(1));
    assert_eq!(rig.records(1)[0].1.text(a::USER_NAME), Some("till-4"));
}

fn interim_times(rig: &Rig) -> Vec<u64> {
    rig.records(3)
        .iter()
        .map(|(at, _)| at.as_millis() as u64)
        .collect()
}

/// RFC 2869 sections 2.1 and 5.16: at least 60 s; a local interval overrides the server's.
#[test]
fn interim_records_keep_their_interval() {
    let every = |seconds| vec![AttributeBuf::integer(a::ACCT_INTERIM_INTERVAL, seconds)];
    let mut rig = rig_with(every(90));
    rig.plug("1", "till");
    rig.run(seconds(200));
    assert_eq!(interim_times(&rig), [90_500, 180_500]);
    assert_eq!(rig.records(3)[1].1.integer(a::ACCT_SESSION_TIME), Some(180));
    let mut rig = rig_with(every(5));
    rig.plug("1", "till");
    rig.run(seconds(100));
    assert_eq!(interim_times(&rig), [60_500]);
    let mut config = config();
    config.accounting.interim = Some(seconds(150));
    let mut rig = Rig::granting(config, every(90));
    rig.plug("1", "till");
    rig.run(seconds(200));
    assert_eq!(interim_times(&rig), [150_500]);
    let mut rig = rig_with(Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(5000));
    assert!(interim_times(&rig).is_empty());
}

/// RFC 5080 section 2.2.1: accounting is never given up; the same octets each time.
#[test]
fn an_unanswered_record_is_sent_for_ever() {
    let mut rig = rig_with(Vec::new());
    rig.accounting_answers = false;
    rig.plug("1", "till");
    rig.run(seconds(5000));
    let starts = rig.records(1);
    assert!(starts.len() > 8, "{}", starts.len());
    assert!(starts.iter().all(|(_, r)| r.bytes() == starts[0].1.bytes()));
}

/// A Stop waits for its Start to be answered, and loses nothing.
#[test]
fn records_of_a_session_keep_their_order() {
    let mut rig = rig_with(Vec::new());
    rig.accounting_answers = false;
    rig.plug("1", "till");
    rig.run(seconds(3));
    rig.act(|switch, now| switch.unplug(now, "till").unwrap());
    rig.run(seconds(60));
    assert!(rig.records(2).is_empty());
    rig.accounting_answers = true;
    rig.run(seconds(120));
    let stops = rig.records(2);
    assert_eq!(stops.len(), 1);
    // It says when it was, not when it was sent.
    assert_eq!(stops[0].1.integer(a::EVENT_TIMESTAMP), Some(1_700_000_003));
}

/// RFC 2866 section 5.2: Acct-Delay-Time grows, and a changed packet has another Identifier.
#[test]
fn a_dated_record_changes_its_identifier() {
    let mut config = config();
    config.accounting.delay_time = true;
    let mut rig = Rig::granting(config, Vec::new());
    rig.run(seconds(1));
    rig.accounting_answers = false;
    rig.plug("1", "till");
    rig.run(seconds(20));
    let starts = rig.records(1);
    let delays: Vec<u32> = starts
        .iter()
        .map(|(_, r)| r.integer(a::ACCT_DELAY_TIME).unwrap())
        .collect();
    assert_eq!(delays[0], 0);
    assert!(
        delays.windows(2).all(|pair| pair[0] < pair[1]),
        "{delays:?}"
    );
    let mut identifiers: Vec<u8> = starts.iter().map(|(_, r)| r.identifier()).collect();
    identifiers.dedup();
    assert_eq!(identifiers.len(), starts.len());
    for (_, record) in &starts {
        assert!(sign::digested_request_is_authentic(record, &secret()));
        assert_eq!(record.integer(a::EVENT_TIMESTAMP), Some(1_700_000_001));
    }
}

#[test]
fn it_can_be_off() {
    let mut config = config();
    config.accounting.enabled = false;
    let mut rig = Rig::granting(config, Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(100));
    assert!(rig.requests(Socket::Accounting).is_empty());
    let sockets: Vec<Socket> = rig
        .switch
        .sockets()
        .iter()
        .map(|need| need.socket)
        .collect();
    assert_eq!(
        sockets,
        [Socket::Authentication, Socket::Change, Socket::Dhcp]
    );
}

/// A wrong answer does not settle a record (RFC 2866 section 3).
#[test]
fn a_spoilt_answer_does_not_settle_a_record() {
    let mut rig = rig_with(Vec::new());
    rig.accounting_answers = false;
    rig.plug("1", "till");
    rig.run(seconds(1));
    let record = rig.records(1)[0].1.bytes().to_vec();
    let record = Packet::parse(&record).unwrap();
    let wrong = Builder::new(Code::ACCOUNTING_RESPONSE, record.identifier())
        .finish_response(record.authenticator(), &Secret::new("another"));
    let peer = ACCOUNTING.parse().unwrap();
    rig.act(|switch, now| switch.handle(now, Socket::Accounting, peer, &wrong));
    assert_eq!(rig.count(|w| matches!(w, What::ReplyDropped { .. })), 1);
    rig.run(seconds(5));
    assert!(rig.records(1).len() > 1);
}

/// RFC 2869 sections 5.1 and 5.2: past 2^32 octets the rest is in Gigawords.
#[test]
fn gigawords_carry_what_32_bits_cannot() {
    let mut config = config();
    config.devices[0].octets_per_second = 2_000_000_000;
    let mut rig = Rig::granting(config, Vec::new());
    rig.plug("1", "till");
    rig.run(millis(5500));
    rig.act(|switch, now| switch.unplug(now, "till").unwrap());
    let (_, stop) = rig.records(2)[0];
    let octets = u64::from(stop.integer(a::ACCT_INPUT_GIGAWORDS).unwrap()) << 32
        | u64::from(stop.integer(a::ACCT_INPUT_OCTETS).unwrap());
    assert_eq!(octets, 10_000_000_000);
}
