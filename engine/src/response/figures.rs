//! The figures of a chain that a user asks for before a run.

use serde::Serialize;

use super::Element;
use super::chain::{Chain, Image, Rejection};
use super::frequency::{delay, gain};
use super::settling::settling_of;
use crate::flow::Flow;

/// What a chain will do, from designed coefficients alone.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Figures {
    /// Whether the signal is mixed: frequencies are then distances from the line.
    pub mixed: bool,
    /// Frequency of the signal at the input in Hz, where it is known before the run; 0 if not mixed.
    pub signal_frequency: Option<f64>,
    /// Sample rate at which the chain that is followed begins, in Hz.
    pub rate: f64,
    /// Whether gains are against the signal's; else the chain lets no steady signal through, and they
    /// are those of the chain itself.
    pub relative: bool,
    /// Whether the chain holds a mean over periods of a clock whose frequency is not known yet; then
    /// nothing of the following is known either.
    pub needs_frequency: bool,
    /// Whether filters before the mixing are left out, for want of the frequency.
    pub carrier_left_out: bool,
    /// What the chain makes of a steady signal: the factor of its amplitude, and what is added to its phase, in rad.
    pub signal_gain: Option<[f64; 2]>,
    /// One-sided equivalent noise bandwidth of the samples in Hz.
    pub noise_bandwidth: Option<f64>,
    /// The same of the value of the point, its average included.
    pub value_noise_bandwidth: Option<f64>,
    /// Distance from the line at which the samples are down by half the power, in Hz; `None` if that is
    /// beyond half the rate.
    pub half_power: Option<f64>,
    /// The same of the value.
    pub value_half_power: Option<f64>,
    /// Remaining part of a step, and the seconds after which it is no larger.
    pub settling: Vec<(f64, Option<f64>)>,
    /// Group delay at the signal in s, up to the samples.
    pub delay: Option<f64>,
    /// Seconds that are averaged, or that a point's samples last.
    pub duration: Option<f64>,
    /// Independent samples in that time: twice the duration times the samples' noise bandwidth.
    pub independent: Option<f64>,
    /// What the uncertainty of the average will come from, in words.
    pub uncertainty: Option<String>,
    /// What becomes of an offset, of the signal's own image and of the mains.
    pub rejections: Vec<Rejection>,
    /// What becomes of what decimation folds on the line.
    pub images: Vec<Image>,
    /// The chain itself.
    #[serde(skip)]
    pub chain: Chain,
}

impl Figures {
    /// The figures of a flow; `line` is its signal's frequency where that is known. `None` for a flow that
    /// no linear chain leads to, or of which no rate is known.
    pub fn of(flow: &Flow, line: Option<f64>) -> Option<Figures> {
        let chain = Chain::of(flow, line)?;
        let Chain {
            mixed,
            signal_frequency,
            rate,
            relative,
            needs_frequency,
            ..
        } = chain;
        let is_value = !flow.kind.is_sampled();
        let whole: Vec<Element> = chain.behind.iter().chain(&chain.average).cloned().collect();
        let noise = chain.noise_bandwidth();
        let value_noise = is_value.then(|| chain.bandwidth(&whole)).flatten();
        let duration = match chain.average {
            Some(Element::Average(n, rate)) => Some(n as f64 / rate),
            _ => flow.duration(),
        };
        Some(Figures {
            mixed,
            signal_frequency,
            rate,
            relative,
            needs_frequency,
            carrier_left_out: chain.carrier_left_out(),
            signal_gain: chain.gain_of_signal().map(|z| [z.norm(), z.arg()]),
            noise_bandwidth: noise,
            value_noise_bandwidth: value_noise,
            half_power: noise.and_then(|b| half_power(&chain.behind, b, rate)),
            value_half_power: value_noise.and_then(|b| half_power(&whole, b, rate)),
            settling: [1e-2, 1e-3, 1e-4]
                .iter()
                .map(|part| (*part, settling(&chain.before, &chain.behind, *part)))
                .filter(|_| !needs_frequency)
                .collect(),
            delay: delay(&chain.behind, 0.0)
                .filter(|_| !needs_frequency)
                .and_then(|behind| match line {
                    Some(f) if mixed => Some(behind + delay(&chain.before, f)?),
                    _ => Some(behind),
                }),
            duration,
            independent: duration.zip(noise).map(|(t, b)| 2.0 * t * b),
            uncertainty: flow.evaluation.clone(),
            rejections: chain.rejections(),
            images: chain.images(),
            chain,
        })
    }
}

fn settling(before: &[Element], behind: &[Element], part: f64) -> Option<f64> {
    Some(settling_of(before, part)? + settling_of(behind, part)?)
}

/// The first frequency at which the power is half that at zero. The power up to there is at least half,
/// so it is at most twice the noise bandwidth; it is looked for upward in steps of 2 % from a
/// millionth of that, then halved down to the last bits.
fn half_power(elements: &[Element], noise_bandwidth: f64, rate: f64) -> Option<f64> {
    let steady = gain(elements, 0.0).norm_sqr();
    let above = |f: f64| gain(elements, f).norm_sqr() >= 0.5 * steady;
    let end = (2.0 * noise_bandwidth * (1.0 + 1e-9)).min(0.5 * rate);
    let mut high = 2e-6 * noise_bandwidth;
    let mut low = 0.0;
    while above(high) {
        if high >= end {
            return None;
        }
        low = high;
        high = (high * 1.02).min(end);
    }
    for _ in 0..52 {
        let middle = 0.5 * (low + high);
        if above(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(0.5 * (low + high))
}

#[cfg(test)]
mod tests;
