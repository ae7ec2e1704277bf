//! Checks from outside, as one program: the project as its users and its developers meet it.

mod support;
mod support_reference;

mod cases;
mod catalogue;
mod challenge;
mod cli;
mod constants;
mod coverage;
mod determinism;
mod expect;
mod expect_scatter;
mod explain;
mod exports;
mod faults;
mod flips;
mod lineage;
mod memory;
mod reference_amplitude;
mod reference_chain;
mod reference_distributions;
mod reference_filters_scipy;
mod reference_fits;
mod reference_mixing;
mod reference_noise_bandwidth;
mod reference_scipy;
mod reference_series;
mod reference_stability;
mod reference_statistics;
mod reference_tides;
mod registry;
mod response;
mod robustness;
mod study;
mod tidy;
mod uncertainty;
