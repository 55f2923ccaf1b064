//! When an unanswered request is sent again (RFC 5080 section 2.2.1), and arithmetic of times.

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use rand::{Rng, RngCore};

use super::config::Retransmission;

/// A time after another, as late as there are times.
pub(super) fn after(now: Timestamp, wait: Duration) -> Timestamp {
    now.saturating_add(wait).unwrap_or(Timestamp::MAX)
}

/// The same in whole seconds.
pub(super) fn after_seconds(now: Timestamp, seconds: u32) -> Timestamp {
    after(now, Duration::from_secs(seconds.into()))
}

/// Time gone by since an earlier time; none when it is later.
pub(super) fn since(earlier: Timestamp, now: Timestamp) -> Duration {
    Duration::try_from(now.duration_since(earlier)).unwrap_or_default()
}

/// Whole seconds as they stand in an attribute.
pub(super) fn whole_seconds(duration: Duration) -> u32 {
    u32::try_from(duration.as_secs()).unwrap_or(u32::MAX)
}

/// Whether a deadline has come.
pub(super) fn is_due(deadline: Option<Timestamp>, now: Timestamp) -> bool {
    deadline.is_some_and(|deadline| deadline <= now)
}

/// The schedule of one request.
#[derive(Debug, Clone)]
pub(super) struct Schedule {
    began: Timestamp,
    timeout: Duration,
    /// How often it was sent.
    pub(super) sent: u32,
    /// When to act next.
    pub(super) due: Timestamp,
}

impl Schedule {
    /// Begins with the first packet, sent now.
    pub(super) fn begin(now: Timestamp, rule: &Retransmission, rng: &mut dyn RngCore) -> Schedule {
        let mut schedule = Schedule {
            began: now,
            timeout: vary(rule, rule.first, rng),
            sent: 1,
            due: now,
        };
        schedule.set_due(now, rule);
        schedule
    }

    /// At its due time: true to send again, false to give up.
    pub(super) fn advance(
        &mut self,
        now: Timestamp,
        rule: &Retransmission,
        rng: &mut dyn RngCore,
    ) -> bool {
        let late = !rule.total.is_zero() && now >= after(self.began, rule.total);
        let often = rule.tries > 0 && self.sent >= rule.tries;
        if late || often {
            return false;
        }
        // RT = 2*RTprev + RAND*RTprev; past MRT it is MRT + RAND*MRT.
        let doubled = self.timeout.saturating_mul(2);
        let jitter = vary(rule, self.timeout, rng);
        let next = doubled.saturating_add(jitter).saturating_sub(self.timeout);
        self.timeout = if !rule.longest.is_zero() && next > rule.longest {
            vary(rule, rule.longest, rng)
        } else {
            next
        };
        self.sent = self.sent.saturating_add(1);
        self.set_due(now, rule);
        true
    }

    fn set_due(&mut self, now: Timestamp, rule: &Retransmission) {
        self.due = after(now, self.timeout);
        if !rule.total.is_zero() {
            self.due = self.due.min(after(self.began, rule.total));
        }
    }
}

/// A duration with RAND between -0.1 and +0.1 of it added.
fn vary(rule: &Retransmission, duration: Duration, rng: &mut dyn RngCore) -> Duration {
    if !rule.jitter {
        return duration;
    }
    let factor = rng.random_range(0.9..=1.1);
    Duration::try_from_secs_f64(duration.as_secs_f64() * factor).unwrap_or(duration)
}

/// Time as it stands in Event-Timestamp (RFC 2869 section 5.3); the epoch before it.
pub(super) fn event_timestamp(now: Timestamp) -> u32 {
    u32::try_from(now.as_second()).unwrap_or_default()
}

/// How far a received Event-Timestamp is off.
pub(super) fn skew(now: Timestamp, stamp: u32) -> Duration {
    SignedDuration::from_secs(now.as_second())
        .saturating_sub(SignedDuration::from_secs(stamp.into()))
        .unsigned_abs()
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand::rngs::StdRng;

    use super::*;

    /// Times of every packet and of giving up, in seconds.
    fn run(rule: &Retransmission, most: usize) -> Vec<f64> {
        let mut rng = StdRng::seed_from_u64(7);
        let start = Timestamp::UNIX_EPOCH;
        let mut schedule = Schedule::begin(start, rule, &mut rng);
        let mut times = vec![0.0];
        while times.len() < most {
            let now = schedule.due;
            times.push(since(start, now).as_secs_f64());
            if !schedule.advance(now, rule, &mut rng) {
                break;
            }
        }
        times
    }

    /// RFC 5080 section 2.2.1: 2, 4, 8, 16 s, each within a tenth of the one before; given up
    /// after MRD = 30 s.
    #[test]
    fn doubles_to_the_end_of_rfc_5080_section_2_2_1() {
        let times = run(&Retransmission::default(), 20);
        assert_eq!(times.len(), 6, "{times:?}");
        let gaps: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
        assert!((1.8..=2.2).contains(&gaps[0]), "{gaps:?}");
        for pair in gaps[..3].windows(2) {
            assert!((1.9..=2.1).contains(&(pair[1] / pair[0])), "{gaps:?}");
        }
        assert!(times[5] <= 30.0 + 1e-6, "{times:?}");
    }

    /// RFC 5080 section 2.2.1: MRC, MRD and MRT of 0 mean no end and no longest timeout.
    #[test]
    fn without_limits_it_goes_on() {
        let rule = Retransmission {
            tries: 0,
            longest: Duration::ZERO,
            total: Duration::ZERO,
            ..Retransmission::default()
        };
        let times = run(&rule, 20);
        assert_eq!(times.len(), 20);
        assert!(times[19] > 100_000.0);
    }

    /// RFC 5080 section 2.2.1: no timeout passes MRT by more than a tenth.
    #[test]
    fn the_longest_timeout_holds() {
        let rule = Retransmission {
            tries: 0,
            longest: Duration::from_secs(3),
            total: Duration::ZERO,
            ..Retransmission::default()
        };
        let times = run(&rule, 12);
        for pair in times.windows(2) {
            assert!(pair[1] - pair[0] <= 3.3 + 1e-6, "{times:?}");
        }
    }

    #[test]
    fn tries_end_it() {
        let rule = Retransmission {
            tries: 3,
            total: Duration::ZERO,
            ..Retransmission::default()
        };
        assert_eq!(run(&rule, 20).len(), 4);
    }

    #[test]
    fn skew_is_the_same_on_both_sides() {
        let now = Timestamp::from_second(1_700_000_000).unwrap();
        assert_eq!(skew(now, 1_700_000_300), Duration::from_secs(300));
        assert_eq!(skew(now, 1_699_999_699), Duration::from_secs(301));
    }
}
