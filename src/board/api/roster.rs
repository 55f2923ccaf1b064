//! The roster: search, import, forget, pin.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::Problem;
use super::ask::{Address, Asked, Sent, SentList, mac, page_size};
use crate::bench::DhcpField;
use crate::board::Board;
use crate::board::view::DeviceView;
use crate::roster::{Device, Pin};
use crate::store::{DeviceOrder, DeviceQuery};

/// An address as text: the spellings that are told of; a few more are understood.
#[derive(ToSchema)]
#[schema(
    pattern = "^([0-9A-Fa-f]{12}|([0-9A-Fa-f]{2}[-]){5}[0-9A-Fa-f]{2}|([0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}|([0-9A-Fa-f]{4}[.]){2}[0-9A-Fa-f]{4})$"
)]
#[expect(dead_code, reason = "only describes the path")]
struct Spelling(String);

/// Which devices.
#[derive(Debug, Clone, Default, Serialize, Deserialize, IntoParams)]
#[serde(default, deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DevicesWanted {
    /// Words that must all be found: in the address in any spelling, class, pin, note, or anything
    /// sighted.
    pub search: Option<String>,
    /// Class in force.
    pub class: Option<String>,
    /// Only pinned ones.
    pub pinned: bool,
    /// `last-seen` (newest first) or `mac`.
    pub order: DeviceSort,
    /// How many to leave out at the front.
    #[param(maximum = 10000000)]
    pub offset: usize,
    /// How many at most.
    #[param(minimum = 1, maximum = 1000)]
    pub limit: Option<usize>,
}

impl DevicesWanted {
    pub(crate) fn query(&self, limit: usize) -> DeviceQuery {
        DeviceQuery {
            search: self.search.clone(),
            class: self.class.clone(),
            pinned: self.pinned,
            order: match self.order {
                DeviceSort::LastSeen => DeviceOrder::LastSeen,
                DeviceSort::Mac => DeviceOrder::Mac,
            },
            offset: self.offset,
            limit,
        }
    }
}

/// Order of the devices.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DeviceSort {
    /// Last heard of first.
    #[default]
    LastSeen,
    /// By address.
    Mac,
}

/// A page of the roster.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct Devices {
    /// The devices.
    pub devices: Vec<DeviceView>,
    /// Whether there are more.
    pub more: bool,
}

const PAGE: usize = 50;
/// A hundred times what the roster holds by default.
const FURTHEST: usize = 10_000_000;

/// A page of the roster.
#[utoipa::path(get, path = "/api/devices", operation_id = "devices", tag = "roster", params(DevicesWanted), responses(
    (status = 200, body = Devices, description = "As asked"),
    (status = 400, body = Problem, description = "What was wrong with it"),
))]
pub(super) async fn list(
    State(board): State<Arc<Board>>,
    Asked(wanted): Asked<DevicesWanted>,
) -> Result<Json<Devices>, Problem> {
    if wanted.offset > FURTHEST {
        return Err(Problem::bad(format!("offset goes up to {FURTHEST}")));
    }
    let query = wanted.query(page_size(wanted.limit, PAGE)?);
    let page = board.look(move |reader| reader.devices(&query)).await?;
    Ok(Json(Devices {
        devices: page.items.iter().map(DeviceView::from).collect(),
        more: page.more,
    }))
}

/// One device.
#[utoipa::path(get, path = "/api/devices/{mac}", operation_id = "device", tag = "roster",
    params(("mac" = inline(Spelling), Path, description = "Address in any spelling")), responses(
    (status = 200, body = DeviceView, description = "As asked"),
    (status = 400, body = Problem, description = "What was wrong with it"),
    (status = 404, body = Problem, description = "Not there"),
))]
pub(super) async fn one(
    State(board): State<Arc<Board>>,
    Address(mac): Address,
) -> Result<Json<DeviceView>, Problem> {
    let device = board.look(move |reader| reader.device(mac)).await?;
    device
        .map(|device| Json(DeviceView::from(&device)))
        .ok_or_else(|| Problem::absent(format!("the roster does not know {mac}")))
}

/// Forgets a device: its next plug-in is a first time.
#[utoipa::path(delete, path = "/api/devices/{mac}", operation_id = "forget-device", tag = "roster",
    params(("mac" = inline(Spelling), Path, description = "Address in any spelling")), responses(
    (status = 204, description = "Forgotten"),
    (status = 400, body = Problem, description = "What was wrong with it"),
    (status = 403, body = Problem, description = "Asked from another site's page"),
    (status = 404, body = Problem, description = "Not there"),
    (status = 503, body = Problem, description = "The bench has stopped"),
))]
pub(super) async fn forget(
    State(board): State<Arc<Board>>,
    Address(mac): Address,
) -> Result<StatusCode, Problem> {
    if board.desk.forget(mac).await? {
        Ok(StatusCode::NO_CONTENT)
    } else {
        Err(Problem::absent(format!("the roster does not know {mac}")))
    }
}

/// A class fixed by hand.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PinAsked {
    /// Class, one of the table's.
    pub class: String,
    /// Why, for whoever comes next.
    #[serde(default)]
    pub note: Option<String>,
}

/// Fixes a device's class above every row.
#[utoipa::path(put, path = "/api/devices/{mac}/pin", operation_id = "pin-device", tag = "roster",
    params(("mac" = inline(Spelling), Path, description = "Address in any spelling")),
    request_body = PinAsked, responses(
    (status = 204, description = "Pinned"),
    (status = 400, body = Problem, description = "What was wrong with it"),
    (status = 403, body = Problem, description = "Asked from another site's page"),
    (status = 409, body = Problem, description = "The class table has no such class"),
    (status = 413, body = Problem, description = "Too much at once"),
    (status = 415, body = Problem, description = "Not JSON"),
    (status = 503, body = Problem, description = "The bench has stopped"),
))]
pub(super) async fn pin(
    State(board): State<Arc<Board>>,
    Address(mac): Address,
    Sent(asked): Sent<PinAsked>,
) -> Result<StatusCode, Problem> {
    let pin = Pin {
        class: asked.class,
        note: asked.note.filter(|note| !note.is_empty()),
    };
    board.desk.pin(mac, Some(pin)).await??;
    Ok(StatusCode::NO_CONTENT)
}

/// Lets the rows decide on a device again.
#[utoipa::path(delete, path = "/api/devices/{mac}/pin", operation_id = "unpin-device", tag = "roster",
    params(("mac" = inline(Spelling), Path, description = "Address in any spelling")), responses(
    (status = 204, description = "No longer pinned"),
    (status = 400, body = Problem, description = "What was wrong with it"),
    (status = 403, body = Problem, description = "Asked from another site's page"),
    (status = 409, body = Problem, description = "Refused, and why"),
    (status = 503, body = Problem, description = "The bench has stopped"),
))]
pub(super) async fn unpin(
    State(board): State<Arc<Board>>,
    Address(mac): Address,
) -> Result<StatusCode, Problem> {
    board.desk.pin(mac, None).await??;
    Ok(StatusCode::NO_CONTENT)
}

/// What is taken over of a device.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ImportedDevice {
    /// Address in any spelling.
    pub mac: String,
    /// Class to pin it to.
    #[serde(default)]
    pub pin: Option<String>,
    /// Note with the pin.
    #[serde(default)]
    pub pin_note: Option<String>,
    /// Sightings by field: `host-name`, `vendor-class`, …
    #[serde(default)]
    pub sightings: BTreeMap<String, String>,
}

impl ImportedDevice {
    pub(crate) fn device(self, now: Timestamp) -> Result<Device, Problem> {
        let mut device = Device::unseen(mac(&self.mac)?, now);
        for (field, value) in self.sightings {
            if DhcpField::from_word(&field).is_none() {
                let known: Vec<&str> = DhcpField::ALL.iter().map(|field| field.word()).collect();
                return Err(Problem::bad(format!(
                    "{}: '{field}' is no sighting; there are {}",
                    self.mac,
                    known.join(", ")
                )));
            }
            device.sightings.dhcp.insert(field, value);
        }
        device.pin = self.pin.map(|class| Pin {
            class,
            note: self.pin_note,
        });
        Ok(device)
    }
}

/// Takes over sightings and pins, at most 1000 devices at a time. Nothing is taken over when one
/// of them is wrong.
#[utoipa::path(post, path = "/api/devices", operation_id = "import-devices", tag = "roster", request_body = [ImportedDevice],
    responses(
    (status = 204, description = "Taken over"),
    (status = 400, body = Problem, description = "What was wrong with it"),
    (status = 403, body = Problem, description = "Asked from another site's page"),
    (status = 409, body = Problem, description = "The class table has no such class"),
    (status = 413, body = Problem, description = "Too much at once"),
    (status = 415, body = Problem, description = "Not JSON"),
    (status = 503, body = Problem, description = "The bench has stopped"),
))]
pub(super) async fn import(
    State(board): State<Arc<Board>>,
    SentList(devices): SentList<ImportedDevice>,
) -> Result<StatusCode, Problem> {
    if devices.len() > super::ask::MOST {
        return Err(Problem::bad(format!(
            "{} devices at a time are too many, send {} at most",
            devices.len(),
            super::ask::MOST
        )));
    }
    let now = Timestamp::now();
    let devices = devices
        .into_iter()
        .map(|device| device.device(now))
        .collect::<Result<Vec<Device>, Problem>>()?;
    board.desk.import(devices).await??;
    Ok(StatusCode::NO_CONTENT)
}
