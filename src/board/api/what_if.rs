//! Which class would fit, and why, without a packet sent.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::Problem;
use super::ask::{Sent, mac, stored};
use crate::bench::{Bench, DhcpField, MethodName, Switch, spell};
use crate::board::Board;
use crate::board::view::{AttributeView, TraceView};
use crate::decide::{Facts, decide};
use crate::journal::{Direction, hex_octets};
use crate::roster::{Device, Login};
use crate::wire::registry::attributes as a;
use crate::wire::value::describe;
use crate::wire::{Builder, Code, Mac, Packet, Secret};

/// A request as it might come, by an entry of the journal, in hex, or by its facts. Facts that are
/// given go before those of the packet.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct WhatIf {
    /// Switch entry that would ask; the first one when left out.
    pub switch: Option<String>,
    /// Number of an entry whose request is taken.
    pub entry: Option<u64>,
    /// An Access-Request in hex; spaces and line breaks do not matter.
    pub request: Option<String>,
    /// Device.
    pub mac: Option<String>,
    /// Port.
    pub port: Option<String>,
    /// mac, pap, chap, eap-md5, eap-tls, eap-ttls or peap.
    pub method: Option<String>,
    /// Who it would prove to be; groups come from the bench's account of that name.
    pub identity: Option<String>,
    /// DHCP sightings besides those of the roster.
    pub sightings: BTreeMap<String, String>,
}

/// What would be decided.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct WhatIfAnswer {
    /// accept or reject.
    pub verdict: String,
    /// Class.
    pub class: String,
    /// How the decision falls.
    pub trace: TraceView,
    /// What an accept would carry, in the switch's dialect.
    pub grant: Vec<AttributeView>,
    /// Why the grant can't be spelt for this switch.
    pub cannot_spell: Option<String>,
    /// What was taken as given: switch, port, device, method, identity.
    pub facts: BTreeMap<String, String>,
}

/// Decides a request that was never sent.
#[utoipa::path(post, path = "/api/what-if", operation_id = "what-if", tag = "bench", request_body = WhatIf, responses(
    (status = 200, body = WhatIfAnswer, description = "As asked"),
    (status = 400, body = Problem, description = "What was wrong with it"),
    (status = 403, body = Problem, description = "Asked from another site's page"),
    (status = 404, body = Problem, description = "No such entry"),
    (status = 413, body = Problem, description = "Too much at once"),
    (status = 415, body = Problem, description = "Not JSON"),
    (status = 503, body = Problem, description = "The bench has stopped"),
))]
pub(super) async fn ask(
    State(board): State<Arc<Board>>,
    Sent(asked): Sent<WhatIf>,
) -> Result<Json<WhatIfAnswer>, Problem> {
    let bench = board.desk.bench().await?;
    let (octets, entry_switch) = request(&board, &asked).await?;
    let switch = switch(&bench, asked.switch.as_deref().or(entry_switch.as_deref()))?;
    let case = Case::of(&bench, switch, &asked, octets)?;
    let known = match case.mac {
        Some(mac) => board.look(move |reader| reader.device(mac)).await?,
        None => None,
    };
    Ok(Json(case.answer(&bench, Timestamp::now(), known)?))
}

/// The request's octets, and the switch that sent them where the journal tells.
async fn request(
    board: &Board,
    asked: &WhatIf,
) -> Result<(Option<Vec<u8>>, Option<String>), Problem> {
    match (asked.entry, &asked.request) {
        (Some(_), Some(_)) => Err(Problem::bad("give an entry or a request, not both")),
        (None, None) => Ok((None, None)),
        (None, Some(text)) => {
            let digits: String = text.split_whitespace().collect();
            let octets = hex_octets::decode(&digits)
                .ok_or_else(|| Problem::bad("the request is not an even number of hex digits"))?;
            Ok((Some(octets), None))
        }
        (Some(seq), None) => {
            let seq = stored(seq)?;
            let entry = board
                .look(move |reader| reader.entry(seq))
                .await?
                .ok_or_else(|| {
                    Problem::absent(format!("the journal has no entry {seq} (any more)"))
                })?;
            let octets = entry
                .packets
                .into_iter()
                .find(|packet| packet.direction == Direction::In)
                .map(|packet| packet.octets)
                .ok_or_else(|| Problem::bad(format!("entry {seq} holds no request")))?;
            Ok((Some(octets), entry.place.switch))
        }
    }
}

fn switch<'b>(bench: &'b Bench, name: Option<&str>) -> Result<&'b Arc<Switch>, Problem> {
    match name {
        Some(name) => bench
            .switch(name)
            .ok_or_else(|| Problem::bad(format!("the bench file declares no switch '{name}'"))),
        None => bench
            .switches
            .first()
            .ok_or_else(|| Problem::bad("the bench file declares no switch")),
    }
}

/// A request with its facts, owned.
struct Case<'b> {
    switch: &'b Switch,
    octets: Vec<u8>,
    mac: Option<Mac>,
    port: Option<String>,
    method: MethodName,
    login: Option<Login>,
    sightings: BTreeMap<String, String>,
}

impl<'b> Case<'b> {
    fn of(
        bench: &Bench,
        switch: &'b Switch,
        asked: &WhatIf,
        octets: Option<Vec<u8>>,
    ) -> Result<Case<'b>, Problem> {
        if let Some(field) = asked
            .sightings
            .keys()
            .find(|f| DhcpField::from_word(f).is_none())
        {
            return Err(Problem::bad(format!("'{field}' is no sighting")));
        }
        let given = asked.mac.as_deref().map(mac).transpose()?;
        let octets = match octets {
            Some(octets) => octets,
            None => made_up(asked, given)?,
        };
        let packet = Packet::parse(&octets)
            .map_err(|why| Problem::bad(format!("the request is no RADIUS packet: {why}")))?;
        if packet.code() != Code::ACCESS_REQUEST {
            return Err(Problem::bad(format!(
                "{} is no Access-Request",
                packet.code()
            )));
        }
        let mac = given.or_else(|| packet.text(a::CALLING_STATION_ID)?.parse().ok());
        let port = asked.port.clone().or_else(|| port(&packet));
        let method = match &asked.method {
            Some(word) => method(word)?,
            None => guessed(&packet),
        };
        let name = asked
            .identity
            .as_deref()
            .or_else(|| packet.text(a::USER_NAME));
        let login = name
            .filter(|_| method != MethodName::Mac)
            .map(|name| login(bench, name));
        Ok(Case {
            switch,
            mac,
            port,
            method,
            login,
            sightings: asked.sightings.clone(),
            octets,
        })
    }

    fn answer(
        &self,
        bench: &Bench,
        now: Timestamp,
        known: Option<Device>,
    ) -> Result<WhatIfAnswer, Problem> {
        let packet = Packet::parse(&self.octets).map_err(|why| Problem::bad(why.to_string()))?;
        let mut device = known.or_else(|| self.mac.map(|mac| Device::unseen(mac, now)));
        if let Some(device) = &mut device {
            device.sightings.dhcp.extend(self.sightings.clone());
        }
        let decision = decide(
            &Facts {
                now,
                switch: self.switch,
                port: self.port.as_deref(),
                mac: self.mac,
                method: self.method,
                login: self.login.as_ref(),
                request: Some(packet),
                device: device.as_ref(),
            },
            &bench.table,
        );
        let spelt = bench
            .table
            .class(&decision.class)
            .map(|class| spell::grant(&class.grant, self.switch));
        let (grant, cannot_spell) = match spelt {
            None => (Vec::new(), None),
            Some(Ok(attributes)) => (attributes.iter().flat_map(in_words).collect(), None),
            Some(Err(why)) => (Vec::new(), Some(why.to_string())),
        };
        Ok(WhatIfAnswer {
            verdict: match decision.verdict {
                crate::decide::Verdict::Accept => "accept".to_owned(),
                crate::decide::Verdict::Reject => "reject".to_owned(),
            },
            class: decision.class,
            trace: TraceView::from(&decision.trace),
            grant,
            cannot_spell,
            facts: self.facts(),
        })
    }

    fn facts(&self) -> BTreeMap<String, String> {
        [
            ("switch", Some(self.switch.name.clone())),
            ("port", self.port.clone()),
            ("device", self.mac.map(|mac| mac.to_string())),
            ("method", Some(self.method.word().to_owned())),
            (
                "identity",
                self.login.as_ref().map(|login| login.identity.clone()),
            ),
        ]
        .into_iter()
        .filter_map(|(name, value)| Some((name.to_owned(), value?)))
        .collect()
    }
}

/// The request that a switch would send for these facts.
fn made_up(asked: &WhatIf, mac: Option<Mac>) -> Result<Vec<u8>, Problem> {
    let mut builder = Builder::new(Code::ACCESS_REQUEST, 0);
    let station = mac.map(|mac| mac.to_string());
    for (kind, text) in [
        (a::USER_NAME, asked.identity.as_ref().or(station.as_ref())),
        (a::CALLING_STATION_ID, station.as_ref()),
        (a::NAS_PORT_ID, asked.port.as_ref()),
    ] {
        if let Some(text) = text {
            builder
                .text(kind, text)
                .map_err(|why| Problem::bad(why.to_string()))?;
        }
    }
    // Never sent, so it is signed with nothing.
    Ok(builder.finish_request(&[0; 16], &Secret::new(Vec::new())))
}

/// NAS-Port-Id, or else NAS-Port in decimal.
fn port(packet: &Packet<'_>) -> Option<String> {
    match packet.text(a::NAS_PORT_ID) {
        Some(text) => Some(text.to_owned()),
        None => packet.integer(a::NAS_PORT).map(|port| port.to_string()),
    }
}

fn method(word: &str) -> Result<MethodName, Problem> {
    serde_json::from_value(serde_json::Value::String(word.to_owned()))
        .map_err(|why| Problem::bad(format!("'{word}' is no method: {why}")))
}

/// Service-Type Call-Check, or a User-Name that is an address, means MAC authentication
/// (RFC 3580 section 3.5; the latter is common practice, no source).
fn guessed(packet: &Packet<'_>) -> MethodName {
    const CALL_CHECK: u32 = 10;
    let named_by_address = packet
        .text(a::USER_NAME)
        .is_none_or(|name| name.parse::<Mac>().is_ok());
    if packet.first(a::EAP_MESSAGE).is_some() {
        MethodName::EapTls
    } else if packet.integer(a::SERVICE_TYPE) == Some(CALL_CHECK) || named_by_address {
        MethodName::Mac
    } else if packet.first(a::CHAP_PASSWORD).is_some() {
        MethodName::Chap
    } else {
        MethodName::Pap
    }
}

fn login(bench: &Bench, identity: &str) -> Login {
    let account = bench.find(identity);
    Login {
        identity: identity.to_owned(),
        account: account.map(|account| account.name.clone()),
        machine: account.is_some_and(|account| account.machine),
        groups: account
            .map(|account| account.groups.clone())
            .unwrap_or_default(),
        certificate: None,
    }
}

fn in_words(attribute: &crate::wire::AttributeBuf) -> Vec<AttributeView> {
    describe(&attribute.view(), Code::ACCESS_ACCEPT)
        .into_iter()
        .map(|said| AttributeView {
            path: said.path,
            name: said.name,
            value: said.value,
            note: said.note,
            offset: None,
            length: None,
        })
        .collect()
}
