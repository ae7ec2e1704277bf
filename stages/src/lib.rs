//! The processing stages, one file each, and the list that registers them.

#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::print_stderr,
        clippy::print_stdout
    )
)]

pub mod math;
pub mod survey;

mod add_tone;
mod amplify;
mod average;
mod background;
mod cartesian;
mod combine;
mod common_phase;
mod compare;
mod decimate;
mod detune;
mod filter;
mod mix;
mod onset;
mod parts;
mod polar;
mod polynomial_fit;
mod reference;
mod remove_offset;
mod repeats;
mod rotate;
mod spectrum;
mod stability;
mod tone_fit;
mod weighted_mean;

pub use compare::agreement;
use phasemill_engine::stage::Registry;

/// Every stage, in the order of the catalogue. A new stage adds its module above and one line here.
pub const REGISTRY: Registry = Registry::new(&[
    &remove_offset::RemoveOffset,
    &reference::Reference,
    &mix::Mix,
    &filter::Filter,
    &decimate::Decimate,
    &average::Average,
    &amplify::Amplify,
    &polar::Polar,
    &parts::Parts,
    &cartesian::Cartesian,
    &rotate::Rotate,
    &combine::Combine,
    &background::Background,
    &common_phase::CommonPhase,
    &weighted_mean::WeightedMean,
    &polynomial_fit::PolynomialFit,
    &compare::Compare,
    &repeats::Repeats,
    &tone_fit::ToneFit,
    &spectrum::Spectrum,
    &stability::Stability,
    &onset::Onset,
    &detune::Detune,
    &add_tone::AddTone,
]);
