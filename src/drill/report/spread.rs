//! How long a device took to a class, over all runs of a drill.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde::Serialize;

use crate::drill::run::Outcome;

/// The times of one device to one class.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Spread {
    /// The drill.
    pub drill: String,
    /// The device.
    pub device: String,
    /// The class.
    pub class: String,
    /// Shortest, seconds.
    pub min: f64,
    /// Median, seconds.
    pub median: f64,
    /// 95th percentile by nearest rank, seconds.
    pub p95: f64,
    /// Longest, seconds.
    pub max: f64,
    /// Every time in ascending order, seconds.
    pub seconds: Vec<f64>,
}

/// The spreads of a drill's runs, by device and class.
#[must_use]
pub fn of(drill: &str, outcomes: &[Outcome]) -> Vec<Spread> {
    let mut times: BTreeMap<(&str, &str), Vec<f64>> = BTreeMap::new();
    for landing in outcomes.iter().flat_map(|outcome| &outcome.classes) {
        times
            .entry((&landing.device, &landing.class))
            .or_default()
            .push(landing.seconds);
    }
    times
        .into_iter()
        .map(|((device, class), mut seconds)| {
            seconds.sort_by(f64::total_cmp);
            Spread {
                drill: drill.to_owned(),
                device: device.to_owned(),
                class: class.to_owned(),
                min: seconds.first().copied().unwrap_or_default(),
                median: median(&seconds),
                p95: percentile(&seconds, 95),
                max: seconds.last().copied().unwrap_or_default(),
                seconds,
            }
        })
        .collect()
}

/// The middle of ascending values, or the mean of the two in the middle; 0 for none.
#[must_use]
pub fn median(ascending: &[f64]) -> f64 {
    let middle = ascending.len() / 2;
    let upper = ascending.get(middle).copied().unwrap_or_default();
    if ascending.len() % 2 == 1 {
        return upper;
    }
    let lower = middle.checked_sub(1).and_then(|at| ascending.get(at));
    lower.map_or(upper, |lower| f64::midpoint(*lower, upper))
}

/// The smallest of ascending values that `percent` of them do not exceed (nearest rank).
fn percentile(ascending: &[f64], percent: usize) -> f64 {
    let rank = (ascending.len() * percent).div_ceil(100);
    let at = rank.saturating_sub(1);
    ascending.get(at).copied().unwrap_or_default()
}

/// The spreads as a table for a terminal.
#[must_use]
pub fn table(spreads: &[Spread]) -> String {
    let mut text = format!(
        "seconds to class\n{:<16} {:<24} {:>5} {:>9} {:>9} {:>9} {:>9}\n",
        "device", "class", "times", "min", "median", "95th", "max"
    );
    for one in spreads {
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "{:<16} {:<24} {:>5} {:>9.3} {:>9.3} {:>9.3} {:>9.3}",
            one.device,
            one.class,
            one.seconds.len(),
            one.min,
            one.median,
            one.p95,
            one.max
        );
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians() {
        assert_eq!(median(&[]), 0.0);
        assert_eq!(median(&[3.0]), 3.0);
        assert_eq!(median(&[1.0, 2.0, 9.0]), 2.0);
        assert_eq!(median(&[1.0, 2.0, 4.0, 9.0]), 3.0);
    }

    #[test]
    fn percentiles_by_nearest_rank() {
        let hundred: Vec<f64> = (1..=100).map(f64::from).collect();
        assert_eq!(percentile(&hundred, 95), 95.0);
        let twenty: Vec<f64> = (1..=20).map(f64::from).collect();
        assert_eq!(percentile(&twenty, 95), 19.0);
        assert_eq!(percentile(&[7.0], 95), 7.0);
        assert_eq!(percentile(&[], 95), 0.0);
    }
}
