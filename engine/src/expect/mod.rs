//! What a bench may expect before it measures: where the noise is, where to modulate, how long to average, and
//! the smallest signal that is detected.

mod budget;
mod cautions;
mod detect;
mod kept;
mod outlook;
mod sources;

pub use budget::{Advice, Budget, Nearest, advise, budget, candidates};
pub use cautions::cautions;
pub use detect::{ERROR, Limits, limits};
pub use kept::{Foreseen, Spread};
pub use outlook::{Expected, Outlook, Planned, Untold, averages};
pub use sources::{BOLTZMANN, CHARGE, QUANTISATION, Sources, Tone};

/// Times in s at which an average is told.
pub const DECADES: [f64; 5] = [0.1, 1.0, 10.0, 100.0, 1000.0];

/// Lowest frequency in Hz to which 1/f noise is followed: slower changes are drift, which a mean over a point
/// takes for an offset.
pub const LOWEST: f64 = 1e-3;
