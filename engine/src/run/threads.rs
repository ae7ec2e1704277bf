//! Work on threads that belongs to no point: items in parallel, and pools of their own.

use rayon::prelude::*;

/// Runs `work` on every item, on the current pool of threads; the results keep the order.
pub fn each<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync + Send) -> Vec<R> {
    items.par_iter().map(work).collect()
}

/// Most threads of a run; more would only wait for each other.
pub const MOST_THREADS: usize = 512;

/// Runs `work` on a pool of this many threads, at most [`MOST_THREADS`]; 0 means one per core.
pub fn on_threads<R: Send>(
    threads: usize,
    work: impl FnOnce() -> R + Send,
) -> Result<R, rayon::ThreadPoolBuildError> {
    Ok(rayon::ThreadPoolBuilder::new()
        .num_threads(threads.min(MOST_THREADS))
        .build()?
        .install(work))
}
