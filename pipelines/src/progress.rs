//! Progress of a run: a bar on a terminal, plain lines elsewhere.

use std::io::IsTerminal;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
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
    while !over.load(Ordering::Relaxed) {
        let (done, total) = (
            monitor.done.load(Ordering::Relaxed),
            monitor.total.load(Ordering::Relaxed),
        );
        // Before the work is known there is nothing to show a part of.
        if total > 0 {
            bar.set_length(total);
            bar.set_position(done);
            bar.set_message(rate(done, began));
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
            let (done, total) = (
                monitor.done.load(Ordering::Relaxed),
                monitor.total.load(Ordering::Relaxed).max(1),
            );
            complain(format!(
                "{} % of the samples, {}",
                done * 100 / total,
                rate(done, began)
            ));
        }
    }
}

fn rate(done: u64, began: Instant) -> String {
    let seconds = began.elapsed().as_secs_f64().max(1e-3);
    format!("{:.1} million samples/s", done as f64 / seconds / 1e6)
}
