//! What a comparison found, as plain numbers and words. All of it is saved in the result file and read back.

use serde::{Deserialize, Serialize};

/// The comparison of the chains on one recording. Numbers are in `unit`, angles in degrees, times in s, frequencies
/// in Hz; `None` is what is not known.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Comparison {
    /// Title of the recipe.
    pub title: String,
    /// Unit of the result that is compared, in ASCII.
    pub unit: String,
    /// Whether it has an in-phase and a quadrature part.
    pub complex: bool,
    /// How amplitudes are stated; empty where that has no meaning.
    pub convention: String,
    /// The axis along the points.
    pub axis: Axis,
    /// Points.
    pub points: usize,
    /// The chains; the first is the base, with which the others are compared.
    pub chains: Vec<Chain>,
    /// The chain that fits what was asked for.
    pub recommended: Option<Recommendation>,
}

/// The axis along the points of a recording.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Axis {
    /// Its name; empty where points are only numbered.
    pub name: String,
    /// Its unit, as text.
    pub unit: String,
    /// One value per point, in that unit; none where points are only numbered.
    pub values: Vec<f64>,
}

/// A chain, and what it gives.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Chain {
    /// Its name.
    pub name: String,
    /// What it changes, or where it came from.
    pub said: String,
    /// The output of the result file that holds its values.
    pub output: String,
    /// The output that holds the difference to the base; empty for the base, and where nothing differs.
    pub difference_output: String,
    /// An earlier chain that does exactly the same.
    pub same_as: Option<usize>,
    /// One-sided noise bandwidth of the samples.
    pub noise_bandwidth: Option<f64>,
    /// The same of the value of a point, its average included.
    pub value_noise_bandwidth: Option<f64>,
    /// Remaining part of a step, and the time after which it is no larger.
    pub settling: Vec<(f64, Option<f64>)>,
    /// Group delay at the signal.
    pub delay: Option<f64>,
    /// Root mean square standard uncertainty of a part of the result, over points at which all chains have one.
    pub uncertainty: Option<f64>,
    /// The same without what all points share, as a gain: the noise.
    pub noise: Option<f64>,
    /// The standard uncertainty of that, as a part of it (JCGM 100:2008, E.4.3).
    pub noise_known_to: Option<f64>,
    /// Whether no other chain has both less noise and less settling time; `None` where either is not known.
    pub unbeaten: Option<bool>,
    /// Points at which a signal was detected, and points at which that was asked.
    pub detected: Option<(usize, usize)>,
    /// The values, point by point.
    pub values: Vec<Option<PointValue>>,
    /// The differences to the base, point by point; none for the base.
    pub differences: Vec<Option<Difference>>,
    /// Whether these are zero, as far as their uncertainties let tell.
    pub agreement: Option<Agreement>,
    /// Why that is not known; empty where it is.
    pub agreement_not_known: String,
    /// The largest point of a sweep.
    pub largest: Option<Largest>,
    /// How samples came up at the start of points, against the step response.
    pub start: Option<Start>,
    /// All of it in a sentence.
    pub verdict: String,
}

/// The value of a chain at a point.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PointValue {
    /// In-phase and quadrature part; a real result has no second.
    pub value: [f64; 2],
    /// Standard uncertainties of these.
    pub u: Option<[f64; 2]>,
    /// Amplitude, or the value of a real result.
    pub amplitude: f64,
    /// Its standard uncertainty to first order.
    pub amplitude_u: Option<f64>,
    /// Phase in degrees; `None` of a real result.
    pub phase: Option<f64>,
    /// Its standard uncertainty to first order.
    pub phase_u: Option<f64>,
    /// Whether a signal was detected.
    pub detected: Option<bool>,
}

/// What a chain gives at a point, less what the base gives.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// In-phase and quadrature part.
    pub value: [f64; 2],
    /// Standard uncertainties of these, with what both chains share.
    pub u: Option<[f64; 2]>,
    /// Difference of the amplitudes.
    pub amplitude: f64,
    /// Its standard uncertainty to first order: that of the difference along the base's phase.
    pub amplitude_u: Option<f64>,
}

/// Chi-square of all differences with their full covariance, and its law by the degrees of freedom of that
/// ([`crate::statistics::ratios_above`]).
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Agreement {
    /// d'V⁻¹d.
    pub chi_square: f64,
    /// One per point, two for complex results.
    pub degrees_of_freedom: usize,
    /// Probability of as much or more if both chains give the same.
    pub p: f64,
}

/// The largest point of a sweep, of those at which no channel is remarked on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Largest {
    /// The point, counted from 0.
    pub point: usize,
    /// Its place on the axis.
    pub at: Option<f64>,
    /// Its amplitude.
    pub height: f64,
    /// The standard uncertainty of that.
    pub height_u: Option<f64>,
    /// By how many times this it exceeds the median of all points.
    pub stands_out: Option<f64>,
    /// What is lost (negative) or won at the base's largest point, as a part of it, with standard uncertainty.
    pub change: Option<(f64, Option<f64>)>,
    /// Whether a peak is still there that the base has: at the same point or next to it, and standing out.
    pub still_there: Option<bool>,
}

/// How samples came up at the start of points: the mean over points of what is along the settled value, which
/// is 1. The first sample of a point finds the filters empty.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Start {
    /// Times after the start.
    pub time: Vec<f64>,
    /// What was seen.
    pub seen: Vec<Option<f64>>,
    /// Standard deviation of the noise in that.
    pub noise: Option<f64>,
    /// Times to parts of the step, predicted and seen.
    pub times: Vec<StartTime>,
    /// Why nothing can be seen; empty where something is.
    pub not_seen: String,
}

/// The time after which no more than a part of a step remains.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StartTime {
    /// The part.
    pub part: f64,
    /// From the step response.
    pub predicted: Option<f64>,
    /// As seen; `None` where the noise is too large to tell.
    pub seen: Option<f64>,
    /// Between which times it is, as far as the noise lets tell.
    pub range: Option<(f64, f64)>,
}

/// What is asked of a chain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Need {
    /// It settles to 1 % within so many seconds, and has the least noise.
    LargestSettling(f64),
    /// Its noise is at most this, in SI units, and it settles first.
    LargestNoise(f64),
    /// It has the least noise.
    LeastNoise,
}

/// The chain that fits what was asked for.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Recommendation {
    /// Its index; `None` where no chain fits.
    pub chain: Option<usize>,
    /// Why, in a sentence.
    pub reason: String,
}
