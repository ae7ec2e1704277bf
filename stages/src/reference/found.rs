//! What a reference channel was found to hold: its phase, how good it is, or why it is none.

use std::f64::consts::TAU;

use phasemill_engine::flow::Phase;
use phasemill_engine::stage::Fault;
use phasemill_engine::units::{Unit, format_quantity};

use crate::math::clock::{ClockModel, StatedClock};
use crate::math::edges::EdgeTrain;
use crate::math::sinefit::{FreeSine, Parameter};
use crate::math::square::SquareChannel;
use crate::math::tracker::{Tracker, stands_out};

/// Stops that are told one by one.
const TOLD: usize = 3;

/// The phase against sample index.
#[derive(Clone, Debug)]
pub enum Clock {
    /// From edges or blocks.
    Model(ClockModel),
    /// From one frequency.
    Stated(StatedClock),
}

impl Clock {
    /// The phase at sample `i`.
    pub fn phase(&mut self, i: u64) -> Phase {
        match self {
            Clock::Model(model) => model.phase(i),
            Clock::Stated(stated) => stated.phase(i),
        }
    }
}

/// How good a reference is.
#[derive(Clone, Debug, Default)]
pub struct Quality {
    /// Mean frequency in Hz.
    pub frequency: f64,
    /// Its standard uncertainty in Hz; `None` when it is stated.
    pub frequency_u: Option<f64>,
    /// Standard deviation of the frequency in Hz.
    pub spread: f64,
    /// Deviation of an edge or block in cycles.
    pub jitter: f64,
    /// Pulses that were bridged.
    pub missing: u64,
    /// Pulses that were left out.
    pub extra: u64,
    /// What the user should know.
    pub remarks: Vec<String>,
}

/// From the edges of a square channel; `rate` in Hz.
pub fn from_edges(channel: SquareChannel, rate: f64) -> Result<(Clock, Quality), Fault> {
    let (edges, high) = channel.finish();
    let no_train = |found: String| Fault::Reference {
        found,
        remedy: "check that this channel holds the reference, or give its `threshold` and `hysteresis`",
    };
    let train = EdgeTrain::analyse(&edges)
        .ok_or_else(|| no_train(format!("{} edges, too few to tell a period", edges.len())))?;
    if !train.is_steady() {
        return Err(no_train(format!(
            "{} edges without a steady period: {} missing, {} extra, {} stops, jitter {:.3} cycles",
            edges.len(),
            train.missing.len(),
            train.extra.len(),
            train.lost.len(),
            train.jitter
        )));
    }
    let mut remarks = Vec::new();
    let pulses: u64 = train.missing.iter().map(|(_, n)| n).sum();
    if let Some((at, _)) = train.missing.first() {
        remarks.push(format!(
            "{pulses} pulses missing, the first near sample {at:.0}; bridged"
        ));
    }
    if let Some(at) = train.extra.first() {
        remarks.push(format!(
            "{} pulses between the others, the first at sample {at:.0}; left out",
            train.extra.len()
        ));
    }
    remarks.extend(stops(&train.lost, "pulses"));
    if !(0.02..=0.98).contains(&high) {
        remarks.push(format!(
            "the reference is above its threshold for {:.2} % of the time",
            100.0 * high
        ));
    }
    let quality = Quality {
        frequency: train.frequency * rate,
        frequency_u: Some(train.frequency_u * rate),
        spread: train.spread * rate,
        jitter: train.jitter,
        missing: pulses,
        extra: train.extra.len() as u64,
        remarks,
    };
    Ok((Clock::Model(train.clock), quality))
}

/// From a sine channel.
pub fn from_sine(tracker: Tracker) -> Result<(Clock, Quality), Fault> {
    let tracked = tracker.finish().map_err(|e| Fault::Reference {
        found: e.to_string(),
        remedy: "check that this channel holds a sine, or say where to look with `near`",
    })?;
    if tracked.jitter > 0.15 {
        return Err(Fault::Reference {
            found: format!(
                "a phase that jumps by {:.3} cycles from block to block",
                tracked.jitter
            ),
            remedy: "check that this channel holds a sine, or say where to look with `near`",
        });
    }
    let remarks = stops(&tracked.lost, "sine");
    let quality = Quality {
        frequency: tracked.frequency,
        frequency_u: Some(tracked.frequency_u),
        spread: tracked.spread,
        jitter: tracked.jitter,
        remarks,
        ..Quality::default()
    };
    Ok((Clock::Model(tracked.clock), quality))
}

/// From the signal itself, at `rate` Hz, looked for near a frequency in Hz.
pub fn from_signal(
    sine: FreeSine,
    rate: f64,
    near: Option<f64>,
) -> Result<(Clock, Quality), Fault> {
    let fit = sine.finish().map_err(|e| Fault::Reference {
        found: e.to_string(),
        remedy: "record longer, or say where to look with `near`",
    })?;
    if !stands_out(&fit, rate, near) {
        return Err(Fault::Reference {
            found: format!(
                "no sine that stands out of the noise; the strongest, at {}, may be chance",
                format_quantity(fit.frequency, &Unit::hertz(), 6)
            ),
            remedy: "record longer, or say where to look with `near`",
        });
    }
    let quality = Quality {
        frequency: fit.frequency,
        frequency_u: Some(fit.standard_error(Parameter::Frequency)),
        ..Quality::default()
    };
    Ok((
        Clock::Stated(StatedClock::new(fit.frequency, rate, fit.phase / TAU)),
        quality,
    ))
}

/// Remarks on the first stretches without a phase.
fn stops(lost: &[(f64, f64)], what: &str) -> Vec<String> {
    let told = lost.iter().take(TOLD).map(|(a, b)| {
        format!("no {what} from sample {a:.0} to {b:.0}; the phase is unknown there")
    });
    let more = lost.len().saturating_sub(TOLD);
    let rest = (more > 0).then(|| format!("no {what} in {more} further stretches"));
    told.chain(rest).collect()
}
