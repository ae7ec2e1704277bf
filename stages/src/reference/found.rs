//! What a reference channel was found to hold: its phase, how good it is, or why it is none.

use std::f64::consts::TAU;

use phasemill_engine::flow::Phase;
use phasemill_engine::stage::Fault;
use phasemill_engine::units::{Unit, format_quantity};

use crate::math::clock::{ClockModel, StatedClock};
use crate::math::edges::EdgeTrain;
use crate::math::finder::FoundEdges;
use crate::math::overtones::Overtones;
use crate::math::sinefit::{FreeSine, Parameter};
use crate::math::slips::Slip;
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
    /// Standard uncertainty in cycles of what all phases are off by alike, of a rectangular distribution, where that
    /// is to be told.
    pub phase_u: Option<f64>,
    /// Part of a cycle for which a square is up, and how far that may be off.
    pub up: Option<(f64, f64)>,
    /// What the user should know.
    pub remarks: Vec<String>,
}

/// From the edges of a square channel; `rate` in Hz.
pub fn from_edges(channel: SquareChannel, rate: f64) -> Result<(Clock, Quality), Fault> {
    let FoundEdges {
        at: edges,
        jumps,
        up: high,
    } = channel.finish();
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
    remarks.extend(match train.usual {
        None => slipped(&train.slips, "period"),
        Some(usual) => Some(format!(
            "most periods are those of {:.2} Hz and the mean is another, so cycles were counted wrongly where pulses are \
             missing or extra; what was mixed is of little use, and the frequency uncertain by the difference",
            usual * rate
        )),
    });
    if !(0.02..=0.98).contains(&high) {
        remarks.push(format!(
            "the reference is above its threshold for {:.2} % of the time",
            100.0 * high
        ));
    }
    // Edges with samples on them tell where between samples they are.
    let places = (2 * jumps >= edges.len()).then_some(train.places);
    remarks
        .extend(places.and_then(|places| blurred(places.loss(train.frequency), train.frequency)));
    let phase_u = places
        .filter(|places| places.common > IN_STEP)
        .map(|places| places.common * train.frequency);
    remarks.extend(phase_u.and_then(in_step));
    // Both edges of a pulse are known to half a sample.
    let whole = train.lost.is_empty() && pulses == 0 && train.extra.is_empty();
    let quality = Quality {
        phase_u,
        up: whole.then_some((high, train.frequency)),
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

/// Of an amplitude, the part lost to a blurred phase from which on it is remarked on.
const LOST: f64 = 1e-3;

/// Samples, as a standard uncertainty of what edges are off by alike, from which on it goes into results; with less,
/// their places are spread over ten parts of a sample or more.
const IN_STEP: f64 = 0.03;

/// Cycles, a degree, as a standard uncertainty of a phase from which on it is remarked on.
const IN_STEP_TOLD: f64 = 1.0 / 360.0;

/// What makes edges known between samples.
const CURE: &str = "record faster, or slow the edges down by a filter before the converter until each takes several \
                    samples";

/// Remarks on an amplitude that is too low by this part for edges known to a sample, at so many cycles per sample.
fn blurred(loss: f64, frequency: f64) -> Option<String> {
    (loss > LOST).then(|| {
        format!(
            "the edges jump from level to level within a sample, so that each is known to half a sample only, at \
             {:.1} samples per cycle; amplitudes at the frequency are {:.2} % too low, at harmonic n about n^2 times \
             that; {CURE}",
            1.0 / frequency,
            100.0 * loss
        )
    })
}

/// Remarks on phases that are unknown by so many cycles because sampling keeps step with the reference.
fn in_step(u: f64) -> Option<String> {
    (u > IN_STEP_TOLD).then(|| {
        format!(
            "sampling keeps step with the reference, whose edges jump from level to level within a sample: where \
             between samples they are cannot be told, and all phases are uncertain by {:.2} deg (standard uncertainty, \
             type B, n times that at harmonic n), which is in the results; {CURE}",
            360.0 * u
        )
    })
}

/// Amplitude of a line at a part of the frequency found, over that of the sine, from which on it may be the fundamental.
const FUNDAMENTAL: f64 = 0.1;

/// Amplitude of a second harmonic over that of the fundamental from which on it is remarked on: the edges of a square are
/// 3 deg from the zero crossings of its fundamental then.
const NO_SINE: f64 = 0.05;

/// Remarks on what a reference channel holds beside the sine at a frequency in Hz; whether that was looked for nearby.
fn beside(overtones: &Overtones, frequency: f64, near: bool) -> Vec<String> {
    let hertz = |f: f64| format_quantity(f, &Unit::hertz(), 4);
    let percent = |part: f64| format!("{:.0}", 100.0 * part);
    let below = overtones
        .below
        .filter(|(_, part)| !near && *part > FUNDAMENTAL);
    let below = below.map(|(k, part)| {
        let (own, lower) = (hertz(frequency), hertz(frequency / f64::from(k)));
        format!(
            "the sine that was found, at {own}, may be harmonic {k} of the reference: a line at {lower} has {} % of its \
             amplitude; state `near: \"{lower}\"` if that is the reference, and `near: \"{own}\"` if not",
            percent(part)
        )
    });
    let second = overtones.second.filter(|part| *part > NO_SINE).map(|part| {
        // A pulse train that is up for a part d of a cycle has the second harmonic |cos(πd)| times as large as the first,
        // which crosses zero |1/4 - d/2| of a cycle from its edge (Fourier series).
        let square = if part < 1.0 {
            format!(
                "edges of a square like that are {} deg from the zero crossings of its fundamental: choose `Square` if it is one",
                format_quantity(libm::asin(part).to_degrees(), &Unit::one(), 2)
            )
        } else {
            "check that it is the channel and the frequency that were meant".into()
        };
        format!(
            "the reference is no sine: its second harmonic has {} % of the amplitude of the fundamental, whose zero crossings \
             phases are relative to; {square}",
            percent(part)
        )
    });
    below.into_iter().chain(second).collect()
}

/// From a sine channel, whose frequency was looked for near another or not.
pub fn from_sine(tracker: Tracker, near: bool) -> Result<(Clock, Quality), Fault> {
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
    let mut remarks = stops(&tracked.lost, "sine");
    remarks.extend(slipped(&tracked.slips, "block"));
    remarks.extend(beside(&tracked.overtones, tracked.frequency, near));
    let loss = tracked.loss();
    if loss > LOST {
        // The variance of a block's phase falls as its length grows.
        let longer = (tracked.periods * loss / LOST).ceil();
        remarks.push(format!(
            "phases of blocks of {:.0} periods scatter by {:.2} deg; as far as that is noise of the channel and no jitter \
             of the source, amplitudes at the frequency are {:.2} % too low, at harmonic n about n^2 times that; average over \
             more `periods`, such as {longer:.0}, or raise the reference above its noise",
            tracked.periods,
            360.0 * tracked.jitter,
            100.0 * loss
        ));
    }
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

/// Remarks on slips, each from one period or block to the next.
fn slipped(slips: &[Slip], what: &str) -> Option<String> {
    let first = slips.first()?;
    let more = match slips.len() - 1 {
        0 => String::new(),
        1 => " and once more".to_owned(),
        more => format!(" and {more} times more"),
    };
    let way = if first.cycles > 0.0 {
        "behind"
    } else {
        "ahead"
    };
    Some(format!(
        "the reference slips near sample {:.0}{more}: from one {what} to the next it is {:.2} cycles {way}, and then goes on \
         as before; samples were lost there, or the source jumped; the frequency is that of the stretches between, and \
         means across it hold only if the signal jumped alike",
        first.at,
        first.cycles.abs()
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
