//! A good switch on a bad network: what the network does is not held against it.

use rand::rngs::StdRng;
use rand::{Rng as _, SeedableRng as _};

use super::bench::bench;
use super::scenes;
use super::world::{Storm, World, config};
use crate::bench::ChangeKind;
use crate::stand_in::config::Family;

/// A course takes a twentieth of a second; 1500 of each were run when the rules were written.
const SEEDS: u64 = 15;

/// Plugs, changes and waits at random.
fn course(seed: u64, loses: f64, doubles: f64, latency: u64) -> World {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut config = config(scenes::all_devices());
    config.dialect.family = Family::Enterprise9;
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.storm = Some(Storm {
        rng: StdRng::seed_from_u64(seed + 1000),
        loses,
        doubles,
        latency,
    });
    let mut plugged = [false; 4];
    for _ in 0..30 {
        let at = rng.random_range(0..plugged.len());
        let (name, mac) = scenes::DEVICES[at];
        let change = match rng.random_range(0..5) {
            _ if !plugged[at] => {
                world.plug(&(at + 1).to_string(), name);
                plugged[at] = true;
                None
            }
            0 => {
                world.unplug(name);
                plugged[at] = false;
                None
            }
            1 => Some(ChangeKind::Reauth),
            2 => Some(ChangeKind::Bounce),
            3 => Some(ChangeKind::Disconnect),
            _ => {
                // Another class, so that reports cross accepts with another VLAN.
                let class = if rng.random() { "night-till" } else { "till" };
                world.pin(scenes::mac(mac), class);
                None
            }
        };
        if let Some(kind) = change {
            world.change(scenes::mac(mac), kind);
        }
        world.run(rng.random_range(1..200));
    }
    world
}

/// Where every transmission of a change or every answer got lost, there was no answer.
const TRUE_UNDER_LOSS: &str = "rfc5176-no-answer";

fn silent(loses: f64, doubles: f64, latency: u64) {
    let mut wrong = Vec::new();
    for seed in 0..SEEDS {
        let mut found = course(seed, loses, doubles, latency).found();
        if loses > 0.0 {
            found.retain(|(rule, _)| *rule != TRUE_UNDER_LOSS);
        }
        if !found.is_empty() {
            wrong.push(format!("seed {seed}: {found:?}"));
        }
    }
    assert!(
        wrong.is_empty(),
        "{} of {SEEDS}\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

#[test]
fn on_a_good_network() {
    silent(0.0, 0.0, 2);
}

#[test]
fn loss() {
    silent(0.05, 0.0, 2);
}

#[test]
fn doubling() {
    silent(0.0, 0.3, 40);
}

#[test]
fn reordering() {
    silent(0.0, 0.0, 400);
}

#[test]
fn all_of_it() {
    silent(0.05, 0.1, 300);
}
