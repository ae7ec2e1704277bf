//! Mathematics that stages share. Knows nothing of recipes, files or threads.

mod design_bands;
mod design_error;
mod design_proto;
mod elliptic;
mod gls_law;
#[cfg(test)]
mod reference_data;
mod sinefit_blocks;

pub mod allan;
pub mod amplitudes;
pub mod clock;
pub mod design;
pub mod edges;
pub mod finder;
pub mod fir;
pub mod gaps;
pub mod gls;
pub mod gls_weights;
pub mod lsq;
pub mod overtones;
pub mod patterns;
pub mod periods;
pub mod places;
pub mod plane;
pub mod points;
pub mod ranks;
pub mod rc_notch;
pub mod section;
pub mod signal;
pub mod sinefit;
pub mod slips;
pub mod slow;
pub mod smooth;
pub mod sos;
pub mod spectral;
pub mod square;
pub mod stretches;
pub mod sums;
pub mod tones;
pub mod tracker;
pub mod turns;
pub mod windows;
