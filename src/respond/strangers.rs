//! Hosts that no bench file declares: heard, told, and kept from filling the journal.

use std::collections::HashMap;
use std::net::IpAddr;

use jiff::{SignedDuration, Timestamp};

/// One host is told of once in this time, all of them together so many times.
const EVERY: SignedDuration = SignedDuration::from_secs(1);
const TOGETHER: u32 = 64;
/// How many hosts are remembered; past them everybody counts as new.
const MOST: usize = 1024;
/// How much of a stranger's datagram is kept, octets.
pub(super) const KEPT: usize = 256;

/// When each stranger was last told of.
#[derive(Debug, Default)]
pub(super) struct Strangers {
    heard: HashMap<IpAddr, Heard>,
    since: Option<Timestamp>,
    told: u32,
}

#[derive(Debug)]
struct Heard {
    told: Timestamp,
    untold: u64,
}

impl Strangers {
    /// Whether a datagram of this host gets its entry; if so, how many of it were left untold
    /// since the last one.
    pub(super) fn tell(&mut self, now: Timestamp, host: IpAddr) -> Option<u64> {
        if self
            .since
            .is_none_or(|since| now.duration_since(since) >= EVERY)
        {
            self.since = Some(now);
            self.told = 0;
        }
        if self.heard.len() >= MOST && !self.heard.contains_key(&host) {
            self.heard.clear();
        }
        let may = self.told < TOGETHER;
        let heard = self.heard.entry(host).or_insert(Heard {
            told: Timestamp::MIN,
            untold: 0,
        });
        if !may || now.duration_since(heard.told) < EVERY {
            heard.untold += 1;
            return None;
        }
        heard.told = now;
        self.told += 1;
        Some(std::mem::take(&mut heard.untold))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(milliseconds: i64) -> Timestamp {
        Timestamp::from_millisecond(1_000_000 + milliseconds).unwrap()
    }

    fn host(number: u8) -> IpAddr {
        IpAddr::from([192, 0, 2, number])
    }

    #[test]
    fn a_host_is_told_of_once_a_second_with_what_was_left_out() {
        let mut strangers = Strangers::default();
        assert_eq!(strangers.tell(at(0), host(1)), Some(0));
        for milliseconds in 1..100 {
            assert_eq!(strangers.tell(at(milliseconds), host(1)), None);
        }
        assert_eq!(strangers.tell(at(500), host(2)), Some(0));
        assert_eq!(strangers.tell(at(1000), host(1)), Some(99));
        assert_eq!(strangers.tell(at(2000), host(1)), Some(0));
    }

    #[test]
    fn many_hosts_together_are_bounded_too() {
        let mut strangers = Strangers::default();
        let told = (0..=255).filter(|n| strangers.tell(at(0), host(*n)).is_some());
        assert_eq!(told.count(), TOGETHER as usize);
        for n in 0..20_000_u32 {
            strangers.tell(at(1), IpAddr::from(n.to_be_bytes()));
        }
        assert!(strangers.heard.len() <= MOST);
    }
}
