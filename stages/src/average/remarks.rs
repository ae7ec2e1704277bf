//! What `Average` remarks on: what of the stretches and of the ends of a mean is no noise.

use num_complex::Complex64;
use phasemill_engine::lineage::spoken;
use phasemill_engine::units::{Unit, format_quantity};

use crate::math::slow::{Beside, Wander};
use crate::math::stretches::Found;

/// Digits of what is known roughly.
const ROUGHLY: usize = 2;

/// Standard uncertainties by which a mean must exceed zero for its amplitude and phase to be spoken of.
const STANDS_OUT: f64 = 5.0;

/// The remarks on a mean: what was found of its stretches, and by how much a level in front of the mixing shifts it.
pub(super) fn remarks(
    mean: Complex64,
    phasor: bool,
    found: &Found,
    shift: Option<f64>,
) -> Vec<String> {
    let square: f64 = found.effects.iter().map(|(_, e)| e.norm_sqr()).sum();
    let u = (0.5 * square).sqrt();
    let told: Vec<&Wander> = found.wander.iter().filter(|w| w.remarked).collect();
    let wander = (!told.is_empty()).then(|| wanders(mean, phasor, &told, u));
    let beside = found.beside.filter(|_| phasor && wander.is_none());
    let beside = beside.map(|line| lies_beside(mean, &line));
    let other = wander.is_some() || beside.is_some();
    let line = found.line.filter(|_| !other).map(|line| {
        format!(
            "what is averaged beats: {:.0} % of the scatter of stretches of {} lies at {} from the signal, or a \
             multiple of {} from there, so that the uncertainty, which takes the noise as white around the signal, \
             is too large as a rule; keep the line out by a narrower filter, or record longer points",
            100.0 * line.part,
            seconds(found.cut.length),
            hertz(line.frequency / found.cut.length),
            hertz(1.0 / found.cut.length)
        )
    });
    let over = shift.map(|shift| shift / u).filter(|over| *over > 0.5);
    let ripple = over.map(|over| {
        format!(
            "a level beside zero in front of the mixing, or its drift, shifts the mean by some {over:.1} standard \
             uncertainties, which do not know of it; remove the drift, filter behind the mixing, or average over \
             whole periods"
        )
    });
    let all = [wander, beside, line, ripple];
    all.into_iter().flatten().collect()
}

/// Remarks on a line beside the signal.
fn lies_beside(mean: Complex64, line: &Beside) -> String {
    let part = line.amplitude / mean.norm();
    let size = match part < 1.0 {
        true => format!("{} % of", short(100.0 * part)),
        false => format!("{} times", short(part)),
    };
    let side = match line.frequency < 0.0 {
        true => "below",
        false => "above",
    };
    format!(
        "a line of {size} what is averaged lies {} {side} the signal: if it is the signal, the frequency of the reference is \
         not its frequency; if it is another, the uncertainty may take it for noise and be too large: keep it out by a \
         narrower filter, or record longer points",
        hertz(line.frequency.abs())
    )
}

/// Remarks on what wanders within the point: along the mean that is the amplitude, across it the phase.
fn wanders(mean: Complex64, phasor: bool, told: &[&Wander], u: f64) -> String {
    let size = mean.norm();
    let along = |w: &&&Wander| (w.direction * mean.conj()).re.abs() > 0.5 * size;
    let (amplitude, phase) = (told.iter().find(along), told.iter().find(|w| !along(w)));
    let percent = |w: &&Wander| format!("{} %", short(100.0 * w.range / size));
    let turn = |w: &&Wander| format!("{} deg", short((w.range / size).to_degrees()));
    let what = match (amplitude, phase) {
        _ if size < STANDS_OUT * u => {
            let range = told.iter().map(|w| w.range).fold(0.0, f64::max);
            let over = short(range / u);
            format!(
                "what is averaged wanders by {over} of the standard uncertainties that white noise would leave"
            )
        }
        (Some(along), _) if !phasor => {
            format!("what is averaged wanders by {} of its mean", percent(along))
        }
        (Some(along), Some(across)) => {
            let (amplitude, phase) = (percent(along), turn(across));
            format!("amplitude and phase wander by {amplitude} and {phase}")
        }
        (Some(along), None) => {
            let amplitude = percent(along);
            format!("the amplitude wanders by {amplitude}, and the phase no more than noise does")
        }
        (None, Some(across)) => {
            let phase = turn(across);
            format!("the phase wanders by {phase}, and the amplitude no more than noise does")
        }
        (None, None) => "what is averaged wanders".into(),
    };
    let raised = told.iter().map(|w| w.raised).fold(0.0, f64::max);
    format!(
        "within the point {what}; the standard uncertainty takes that for 1/f noise and is {} times what white noise would \
         leave, with few degrees of freedom; longer points make the mean hardly more certain: remove what wanders, or \
         divide by a channel that sees the same",
        short(raised)
    )
}

/// A number that is known roughly, in words.
fn short(x: f64) -> String {
    match x < 99.5 {
        true => format_quantity(x, &Unit::one(), ROUGHLY),
        false => format!("{:.0}", x),
    }
}

/// A time in words.
pub(super) fn seconds(time: f64) -> String {
    spoken(time, "s")
}

/// A frequency in words.
fn hertz(frequency: f64) -> String {
    spoken(frequency, "Hz")
}
