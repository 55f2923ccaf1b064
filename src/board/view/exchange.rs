//! One entry with everything that belongs to it.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{Outline, PacketView, Step, story};
use crate::decide::Trace;
use crate::journal::Entry;

/// An entry, its packets, and how they went to and fro.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Exchange {
    /// The entry.
    pub entry: Outline,
    /// How the decision fell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trace: Option<TraceView>,
    /// Its packets, in order.
    pub packets: Vec<PacketView>,
    /// The arrows of the drawing, in order.
    pub steps: Vec<Step>,
}

/// How a decision fell.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TraceView {
    /// Outcome and reason in one line.
    pub summary: String,
    /// The rows that were tried, in order.
    pub rows: Vec<RowView>,
}

/// A row of the class table that was tried.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RowView {
    /// Class.
    pub class: String,
    /// Where it stands, "file:line".
    pub place: String,
    /// Whether it fitted.
    pub fits: bool,
    /// What settled it.
    pub because: String,
}

impl From<&Trace> for TraceView {
    fn from(trace: &Trace) -> TraceView {
        TraceView {
            summary: trace.summary.clone(),
            rows: trace
                .rows
                .iter()
                .map(|row| RowView {
                    class: row.class.clone(),
                    place: row.place.clone(),
                    fits: row.fits,
                    because: row.because.clone(),
                })
                .collect(),
        }
    }
}

impl From<&Entry> for Exchange {
    fn from(entry: &Entry) -> Exchange {
        let packets: Vec<PacketView> = entry.packets.iter().map(PacketView::from).collect();
        Exchange {
            entry: Outline::from(entry),
            trace: entry.trace.as_ref().map(TraceView::from),
            steps: story::steps(entry, &packets),
            packets,
        }
    }
}
