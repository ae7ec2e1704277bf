//! Mathematics that stages share. Knows nothing of recipes, files or threads.

mod design_bands;
mod design_error;
mod design_proto;
mod elliptic;

pub mod design;
pub mod fir;
pub mod gaps;
pub mod lsq;
pub mod periods;
pub mod points;
pub mod rc_notch;
pub mod section;
pub mod sos;
pub mod sums;
