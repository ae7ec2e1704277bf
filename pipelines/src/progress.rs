//! Progress of a run: a bar on a terminal, plain lines elsewhere.

use std::io::IsTerminal;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressStyle};
use phasemill_engine::run::Monitor;

use crate::commands::complain;

/// Seconds between plain lines.
const PLAIN: u64 = 10;

/// Shows progress until dropped.
pub struct Shown {
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

/// Starts to show the progress of what `monitor` watches.
pub fn show(monitor: Arc<Monitor>) -> Shown {
    let over = Arc::new(AtomicBool::new(false));
    let until = over.clone();
    let work = move || {
        if std::io::stderr().is_terminal() {
            bar(&monitor, &until)
        } else {
            lines(&monitor, &until)
        }
    };
    Shown {
        over,
        thread: std::thread::Builder::new().spawn(work).ok(),
    }
}

impl Drop for Shown {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            thread.thread().unpark();
            // A progress display that failed is no reason to fail the run.
            let _ = thread.join();
        }
    }
}

fn bar(monitor: &Monitor, over: &AtomicBool) {
    let bar = ProgressBar::new(1);
    let template = "{bar:30} {percent:>3} %  {msg}  {eta} left";
    bar.set_style(
        ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar()),
    );
    let began = Instant::now();
    let mut draws = false;
    while !over.load(Ordering::Relaxed) {
        let now = Progress::of(monitor);
        // The time that samples took says nothing of that of trials.
        if now.draws != draws {
            draws = now.draws;
            bar.reset();
        }
        // Before the work is known there is nothing to show a part of.
        if now.total > 0 {
            bar.set_length(now.total);
            bar.set_position(now.done);
            bar.set_message(match now.draws {
                true => now.what(),
                false => rate(now.done, began),
            });
        }
        std::thread::park_timeout(Duration::from_millis(100));
    }
    bar.finish_and_clear();
}

fn lines(monitor: &Monitor, over: &AtomicBool) {
    let began = Instant::now();
    let mut last = began;
    while !over.load(Ordering::Relaxed) {
        std::thread::park_timeout(Duration::from_millis(100));
        if last.elapsed() >= Duration::from_secs(PLAIN) {
            last = Instant::now();
            complain(Progress::of(monitor).line(began));
        }
    }
}

/// How far a run is with what it is at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Progress {
    done: u64,
    total: u64,
    /// Whether these are trials, and not samples.
    draws: bool,
}

impl Progress {
    fn of(monitor: &Monitor) -> Self {
        let read = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
        let (done, total) = (read(&monitor.drawn), read(&monitor.trials));
        if done < total {
            return Progress {
                done,
                total,
                draws: true,
            };
        }
        Progress {
            done: read(&monitor.done),
            total: read(&monitor.total),
            draws: false,
        }
    }

    fn what(&self) -> String {
        match self.draws {
            true => format!("of {} trials that intervals are drawn from", self.total),
            false => "of the samples".into(),
        }
    }

    fn line(&self, began: Instant) -> String {
        let percent = self.done * 100 / self.total.max(1);
        match self.draws {
            true => format!("{percent} % {}", self.what()),
            false => format!("{percent} % {}, {}", self.what(), rate(self.done, began)),
        }
    }
}

fn rate(done: u64, began: Instant) -> String {
    let seconds = began.elapsed().as_secs_f64().max(1e-3);
    format!("{:.1} million samples/s", done as f64 / seconds / 1e6)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// While trials are drawn the line says so, and how far it is; before and after it is about samples.
    #[test]
    fn drawing_is_told_while_it_lasts() {
        let monitor = Monitor::default();
        monitor.total.store(4_000_000, Ordering::Relaxed);
        monitor.done.store(3_000_000, Ordering::Relaxed);
        let began = Instant::now();
        let line = || Progress::of(&monitor).line(began);
        assert!(line().starts_with("75 % of the samples, "), "{}", line());
        monitor.trials.store(10_000, Ordering::Relaxed);
        monitor.drawn.store(3210, Ordering::Relaxed);
        let expected = "32 % of 10000 trials that intervals are drawn from";
        assert_eq!(line(), expected);
        monitor.drawn.store(10_000, Ordering::Relaxed);
        assert!(line().starts_with("75 % of the samples, "), "{}", line());
    }
}
