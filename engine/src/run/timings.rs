//! Where the time of a run goes.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::time::Duration;

use serde::Serialize;

/// Time of all threads together, by pass and what was done. It changes from run to run and takes no part in results.
#[derive(Debug, Default)]
pub struct Timings {
    spent: Mutex<BTreeMap<(usize, String), Spent>>,
}

/// What was spent on one thing in one pass.
#[derive(Clone, Copy, Debug, Default)]
struct Spent {
    time: Duration,
    samples: u64,
    bytes: u64,
}

/// A line of the account of a run.
#[derive(Clone, Debug, Serialize)]
pub struct Share {
    /// The pass over the samples, counted from 1.
    pub pass: usize,
    /// The stage or channel, or what chains that are computed together do.
    pub what: String,
    /// Seconds, of all threads together.
    pub seconds: f64,
    /// Samples that went in; 0 where none are counted.
    pub samples: u64,
    /// Bytes of stored samples that were read.
    pub bytes: u64,
}

impl Timings {
    /// Adds to what was spent.
    pub fn add(&self, pass: usize, what: &str, time: Duration, samples: u64, bytes: u64) {
        if let Ok(mut spent) = self.spent.lock() {
            let spent = spent.entry((pass, what.to_owned())).or_default();
            spent.time += time;
            spent.samples += samples;
            spent.bytes += bytes;
        }
    }

    /// The account, by pass, the longest first.
    pub fn shares(&self) -> Vec<Share> {
        let Ok(spent) = self.spent.lock() else {
            return Vec::new();
        };
        let share = |((pass, what), spent): (&(usize, String), &Spent)| Share {
            pass: pass + 1,
            what: what.clone(),
            seconds: spent.time.as_secs_f64(),
            samples: spent.samples,
            bytes: spent.bytes,
        };
        let mut shares: Vec<Share> = spent.iter().map(share).collect();
        shares.sort_by(|a, b| a.pass.cmp(&b.pass).then(b.seconds.total_cmp(&a.seconds)));
        shares
    }
}

/// The most memory that the process held so far, in bytes; `None` where the system does not tell.
pub fn peak_memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    let kilobytes: u64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kilobytes * 1024)
}
