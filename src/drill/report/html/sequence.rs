//! The sequence drawing of one run: a lane for each device, one for the switch, one for the bench.

use std::collections::BTreeSet;

use maud::{Markup, html};

use crate::drill::observe::{Flown, Observation, Who};
use crate::drill::run::Outcome;
use crate::drill::timeline;
use crate::journal::Direction;
use crate::wire::Mac;

/// Rows of one drawing at most; the timeline has the rest.
const MOST_ROWS: usize = 300;

const FIRST_LANE: f64 = 130.0;
const DEVICE_GAP: f64 = 190.0;
const BENCH_GAP: f64 = 330.0;
const MARGIN: f64 = 260.0;
const HEAD: f64 = 34.0;
const ROW: f64 = 24.0;
/// Letters that fit between two devices, between switch and bench, and right of the bench.
const DEVICE_LETTERS: usize = 28;
const BENCH_LETTERS: usize = 48;
const MARGIN_LETTERS: usize = 38;

/// What the stand-in tells and an arrow between switch and bench shows already.
const SHOWN_BY_PACKETS: [&str; 4] = ["asked", "asked-for-grant", "change-answered", "started"];
/// What a device says to its switch.
const SAID_BY_DEVICE: [&str; 3] = ["eapol-start", "eapol-logoff", "dhcp-sent"];
/// What happens at the device itself.
const AT_DEVICE: [&str; 12] = [
    "plugged",
    "unplugged",
    "power-lost",
    "power-back",
    "booted",
    "logged-on",
    "logged-off",
    "login-succeeded",
    "login-failed",
    "keys-differ",
    "address-given",
    "supplicant-silent",
];

/// The drawing.
pub(super) fn drawing(outcome: &Outcome) -> Markup {
    let lanes = Lanes::of(outcome);
    let rows: Vec<Row> = outcome
        .seen
        .iter()
        .flat_map(|seen| lanes.rows(outcome, seen))
        .collect();
    let left_out = rows.len().saturating_sub(MOST_ROWS);
    let mut y = HEAD;
    let placed: Vec<(f64, Row)> = rows
        .into_iter()
        .take(MOST_ROWS)
        .map(|row| {
            y += ROW;
            (y, row)
        })
        .collect();
    let (width, height) = (lanes.bench + MARGIN, y + ROW);
    html! {
        svg width=(width) height=(height) viewBox={ "0 0 " (width) " " (height) } role="img"
            aria-label="Who said what to whom, from top to bottom; the timeline below has the same as a table" {
            @for (_, name, x) in &lanes.devices { (lane(name, *x, height)) }
            (lane("switch", lanes.switch, height))
            (lane("bench", lanes.bench, height))
            @for (y, row) in &placed { (draw(row, *y, width)) }
        }
        @if left_out > 0 { p.quiet { (left_out) " more rows are in the timeline." } }
    }
}

struct Lanes<'a> {
    devices: Vec<(Mac, &'a str, f64)>,
    switch: f64,
    bench: f64,
}

struct Row {
    clock: String,
    what: Mark,
    text: String,
    /// The text in full.
    whole: String,
}

enum Mark {
    /// A step of the drill.
    Step,
    /// Something that happened in one place.
    Spot(f64),
    /// Something that was said.
    Arrow { from: f64, to: f64, dropped: bool },
}

impl<'a> Lanes<'a> {
    /// Only devices that play a part have a lane.
    fn of(outcome: &'a Outcome) -> Lanes<'a> {
        let seen: BTreeSet<Mac> = outcome.seen.iter().filter_map(|seen| seen.mac).collect();
        let mut x = FIRST_LANE - DEVICE_GAP;
        let devices: Vec<(Mac, &str, f64)> = outcome
            .devices
            .iter()
            .filter(|(_, mac)| seen.contains(mac))
            .map(|(name, mac)| {
                x += DEVICE_GAP;
                (*mac, name.as_str(), x)
            })
            .collect();
        let switch = x + DEVICE_GAP;
        Lanes {
            devices,
            switch,
            bench: switch + BENCH_GAP,
        }
    }

    fn device(&self, mac: Option<Mac>) -> Option<f64> {
        let mac = mac?;
        self.devices
            .iter()
            .find(|(known, ..)| *known == mac)
            .map(|(.., x)| *x)
    }

    fn rows(&self, outcome: &Outcome, seen: &Observation) -> Vec<Row> {
        let row = |what: Mark, text: &str, letters: usize| Row {
            clock: format!("{:.3}", timeline::seconds(outcome.started, seen.at)),
            what,
            text: timeline::cut(text, letters),
            whole: text.to_owned(),
        };
        match seen.who {
            Who::Drill => {
                let device = seen
                    .mac
                    .map(|mac| timeline::name_of(&outcome.devices, Some(mac)));
                let port = seen.port.as_ref().map(|port| format!("port {port}"));
                let parts = [
                    Some(seen.word.clone()),
                    device,
                    port,
                    Some(seen.why.clone()),
                ];
                let text = parts.into_iter().flatten().collect::<Vec<_>>().join(" ");
                vec![row(Mark::Step, text.trim_end(), usize::MAX)]
            }
            Who::Switch => self
                .switch_mark(seen)
                .map(|(mark, letters)| row(mark, &timeline::what(seen), letters))
                .into_iter()
                .collect(),
            Who::Bench if seen.packets.is_empty() => {
                let text = timeline::what(seen);
                vec![row(Mark::Spot(self.bench), &text, MARGIN_LETTERS)]
            }
            Who::Bench => seen
                .packets
                .iter()
                .map(|packet| {
                    let text = packet_text(seen, packet);
                    row(self.arrow(seen, packet), &text, BENCH_LETTERS)
                })
                .collect(),
        }
    }

    /// Where something of the switch is drawn, and how many letters fit there.
    fn switch_mark(&self, seen: &Observation) -> Option<(Mark, usize)> {
        let word = seen.word.as_str();
        if SHOWN_BY_PACKETS.contains(&word) {
            return None;
        }
        let at_switch = (Mark::Spot(self.switch), BENCH_LETTERS);
        let Some(device) = self.device(seen.mac) else {
            return Some(at_switch);
        };
        if SAID_BY_DEVICE.contains(&word) {
            let said = Mark::Arrow {
                from: device,
                to: self.switch,
                dropped: false,
            };
            return Some((said, DEVICE_LETTERS));
        }
        Some(if AT_DEVICE.contains(&word) {
            (Mark::Spot(device), DEVICE_LETTERS)
        } else {
            at_switch
        })
    }

    fn arrow(&self, seen: &Observation, packet: &Flown) -> Mark {
        let (from, to) = match packet.direction {
            Direction::In => (self.switch, self.bench),
            Direction::Out => (self.bench, self.switch),
        };
        let dropped = seen.word.starts_with("dropped");
        Mark::Arrow { from, to, dropped }
    }
}

/// The packet; the last one of an entry also with what the bench made of it.
fn packet_text(seen: &Observation, packet: &Flown) -> String {
    if seen.packets.last() != Some(packet) {
        return packet.what.clone();
    }
    let class = seen.class.as_deref();
    let class = class.map(|class| format!(" [{class}]")).unwrap_or_default();
    format!("{}, {}{class}", packet.what, seen.word)
}

fn lane(name: &str, x: f64, height: f64) -> Markup {
    html! {
        text.lane x=(x) y="18" text-anchor="middle" { (name) }
        line.life x1=(x) x2=(x) y1=(HEAD - 8.0) y2=(height) {}
    }
}

fn draw(row: &Row, y: f64, width: f64) -> Markup {
    html! {
        @match row.what {
            Mark::Step => {
                rect.band x="0" y=(y - 14.0) width=(width) height="20" {}
                (clock(row, y))
                text.deed x="76" y=(y) { (row.text) }
            }
            Mark::Spot(x) => g {
                title { (row.whole) }
                (clock(row, y))
                circle.spot cx=(x) cy=(y - 4.0) r="4" {}
                text.halo x=(x + 10.0) y=(y) { (row.text) }
            },
            Mark::Arrow { from, to, dropped } => g.dropped[dropped] {
                title { (row.whole) }
                (clock(row, y))
                line.shaft x1=(from) x2=(to) y1=(y) y2=(y) {}
                (arrow_head(from, to, y, dropped))
                text.halo x=(f64::midpoint(from, to)) y=(y - 4.0) text-anchor="middle" { (row.text) }
            }
        }
    }
}

fn clock(row: &Row, y: f64) -> Markup {
    html! { text.clock x="62" y=(y) text-anchor="end" { (row.clock) } }
}

/// A point where it arrived, a cross where it was dropped.
fn arrow_head(from: f64, to: f64, y: f64, dropped: bool) -> Markup {
    let back = if to > from { -8.0 } else { 8.0 };
    html! {
        @if dropped {
            path.shaft d={ "M" (to + back) " " (y - 5.0) " l" (-back) " 10 m0 -10 l" (back) " 10" } {}
        } @else {
            path.head d={ "M" (to) " " (y) " l" (back) " -4 v8 z" } {}
        }
    }
}
